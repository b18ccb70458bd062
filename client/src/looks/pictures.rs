//! Pictures of outputs: those that are there, and the others drawn here, each in a process of its own, and kept for the
//! next who looks.

use std::collections::HashMap;

use futures::StreamExt as _;
use tidemill_agent::paint::Drawing;
use tidemill_agent::paint::child::draw_in_child;
use tidemill_ops::TagColor;
use tidemill_proto::v1::{Picture, PictureWish};

use super::Looks;
use super::gather::blob;
use crate::failure::Failure;
use crate::rpc::Rpc;

/// All pictures that can be had, by the digest of what they show.
pub async fn all(
    wishes: &[PictureWish],
    rpc: &Rpc,
    looks: &Looks,
    told: &dyn Fn(usize, usize),
) -> Result<HashMap<Vec<u8>, Picture>, Failure> {
    let mut found: HashMap<Vec<u8>, Picture> = HashMap::new();
    for picture in looks.find(wishes).await? {
        if let Some(wish) = &picture.of {
            found.insert(wish.digest.clone(), picture);
        }
    }
    let missing: Vec<&PictureWish> = wishes
        .iter()
        .filter(|wish| !found.contains_key(&wish.digest))
        .collect();
    let all = missing.len();
    let at_once = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    let mut drawn = futures::stream::iter(missing)
        .map(|wish| draw_here(wish, rpc))
        .buffer_unordered(at_once);
    let mut done = 0;
    while let Some(picture) = drawn.next().await {
        done += 1;
        told(done, all);
        if let Some(wish) = &picture.of {
            // A picture that cannot be kept is still good for this report.
            let _ = looks.keep(picture.clone()).await;
            found.insert(wish.digest.clone(), picture);
        }
    }
    Ok(found)
}

async fn draw_here(wish: &PictureWish, rpc: &Rpc) -> Picture {
    let drawing = Drawing {
        extension: wish.extension.clone(),
        tags: wish
            .tags
            .iter()
            .map(|tag| TagColor {
                name: tag.name.clone(),
                rgb: [16, 8, 0].map(|shift| (tag.color >> shift) as u8),
            })
            .collect(),
    };
    let drawn = match blob(rpc, &wish.digest).await {
        Ok(bytes) => tokio::task::spawn_blocking(move || {
            let program = std::env::current_exe().map_err(|error| error.to_string())?;
            draw_in_child(program.as_os_str(), &drawing, &bytes)
        })
        .await
        .unwrap_or_else(|error| Err(error.to_string())),
        Err(failure) => Err(failure.message),
    };
    let (png, frames, trouble) = match drawn {
        Ok((png, frames)) => (png, frames, String::new()),
        Err(trouble) => (Vec::new(), 0, trouble),
    };
    Picture {
        of: Some(wish.clone()),
        png,
        frames,
        trouble,
    }
}
