//! One run with everything that is known about it.

use futures::StreamExt as _;
use futures::TryStreamExt as _;
use tidemill_page::facts::{RunFacts, figure_files_of};
use tidemill_page::figures::{Figure, figures};
use tidemill_proto::Digest;
use tidemill_proto::v1::{ItemRow, MadeOutput, RunRow};

use super::Looks;
use crate::failure::Failure;
use crate::rpc::Rpc;

/// Files of figures that are larger hold something else.
const MOST_FIGURE_BYTES: u64 = 64 * 1024;
/// So many are read at the same time.
const AT_ONCE: usize = 8;

/// Asks for all of it.
pub async fn gather(run: RunRow, rpc: &Rpc, looks: &Looks) -> Result<RunFacts, Failure> {
    let name = run.run.clone();
    let mut facts = RunFacts {
        plan: rpc.plan(&name).await?,
        items: rpc.items(&name, "").await?,
        agents: rpc.agents().await?,
        run,
        ..RunFacts::default()
    };
    facts.take_attempts(looks.attempts(&name).await?);
    let sign_offs = looks.sign_offs(&name).await?.into_iter();
    facts.sign_offs = sign_offs.map(|row| (row.variant.clone(), row)).collect();
    let files = facts.figure_files().into_iter();
    let read = files.map(|(index, output)| async move { (index, figures_in(&output, rpc).await) });
    let found: Vec<_> = futures::stream::iter(read).buffered(AT_ONCE).collect().await;
    for (index, figures) in found {
        if !figures.is_empty() {
            facts.figures.entry(index).or_default().extend(figures);
        }
    }
    Ok(facts)
}

/// The figures that an item wrote, also one that failed.
pub async fn item_figures(row: &ItemRow, rpc: &Rpc) -> Vec<Figure> {
    let mut found = Vec::new();
    for output in figure_files_of(row) {
        found.extend(figures_in(output, rpc).await);
    }
    found
}

/// A file that is gone, or large, has no figures; the rest of what is shown stands.
async fn figures_in(output: &MadeOutput, rpc: &Rpc) -> Vec<Figure> {
    if output.size > MOST_FIGURE_BYTES {
        return Vec::new();
    }
    figures(&blob(rpc, &output.digest).await.unwrap_or_default())
}

/// The bytes of a blob.
pub async fn blob(rpc: &Rpc, digest: &[u8]) -> Result<Vec<u8>, Failure> {
    blob_at_most(rpc, digest, u64::MAX)
        .await
        .map(Option::unwrap_or_default)
}

/// The bytes of a blob; `None`: there are more than `most`.
pub async fn blob_at_most(rpc: &Rpc, digest: &[u8], most: u64) -> Result<Option<Vec<u8>>, Failure> {
    let digest = Digest::from_slice(digest).map_err(|error| Failure::unreachable(error.to_string()))?;
    let pieces = rpc.get(digest).await?;
    futures::pin_mut!(pieces);
    let mut bytes = Vec::new();
    while let Some(piece) = pieces.try_next().await? {
        if (bytes.len() + piece.len()) as u64 > most {
            return Ok(None);
        }
        bytes.extend_from_slice(&piece);
    }
    Ok(Some(bytes))
}
