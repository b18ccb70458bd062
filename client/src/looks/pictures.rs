//! Pictures of outputs: those that are there, and the others drawn here, each in a process of its own, and kept for the
//! next who looks.

use std::collections::HashMap;

use futures::StreamExt as _;
use tidemill_agent::paint::child::draw_apart;
use tidemill_agent::paint::{Drawing, MOST_FILE_BYTES, Undrawn, answer, too_large};
use tidemill_proto::v1::{Picture, PictureWish};

use super::Looks;
use super::gather::blob_at_most;
use crate::failure::Failure;
use crate::rpc::Rpc;

/// If more meshes than these lack a picture, each gets one frame instead of a turntable: a file with so many pictures has no
/// room for turntables, and drawing them takes several times as long.
const MOST_TURNTABLES: usize = 60;

/// All pictures that can be had, by the digest of what they show.
pub async fn all(
    wishes: &[PictureWish],
    rpc: &Rpc,
    looks: &Looks,
    told: &dyn Fn(usize, usize),
) -> Result<HashMap<Vec<u8>, Picture>, Failure> {
    let mut found: HashMap<Vec<u8>, Picture> = HashMap::new();
    take(&mut found, looks.find(wishes).await?);
    let mut missing = lacking(wishes, &found);
    if missing.iter().filter(|wish| wish.extension != ".png").count() > MOST_TURNTABLES {
        missing
            .iter_mut()
            .for_each(|wish| wish.still = wish.extension != ".png");
        take(&mut found, looks.find(&missing).await?);
        missing = lacking(&missing, &found);
    }
    let all = missing.len();
    let at_once = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let mut drawn = futures::stream::iter(missing)
        .map(|wish| draw_here(wish, rpc))
        .buffer_unordered(at_once);
    let mut done = 0;
    while let Some(picture) = drawn.next().await {
        done += 1;
        told(done, all);
        if !(picture.png.is_empty() && picture.trouble.is_empty()) {
            // A picture that cannot be kept is still good for this report.
            let _ = looks.keep(picture.clone()).await;
        }
        take(&mut found, [picture]);
    }
    Ok(found)
}

fn take(found: &mut HashMap<Vec<u8>, Picture>, pictures: impl IntoIterator<Item = Picture>) {
    for picture in pictures {
        if let Some(wish) = &picture.of {
            found.insert(wish.digest.clone(), picture);
        }
    }
}

fn lacking(wishes: &[PictureWish], found: &HashMap<Vec<u8>, Picture>) -> Vec<PictureWish> {
    let lacks = |wish: &&PictureWish| !found.contains_key(&wish.digest);
    wishes.iter().filter(lacks).cloned().collect()
}

async fn draw_here(wish: PictureWish, rpc: &Rpc) -> Picture {
    let drawing = Drawing::of(&wish);
    let drawn = match blob_at_most(rpc, &wish.digest, MOST_FILE_BYTES).await {
        Ok(Some(bytes)) => match std::env::current_exe() {
            Ok(program) => draw_apart(program.into(), drawing, bytes).await,
            Err(error) => Err(Undrawn::NotNow(error.to_string())),
        },
        Ok(None) => Err(too_large()),
        Err(failure) => Err(Undrawn::NotNow(failure.message)),
    };
    answer(wish, drawn)
}
