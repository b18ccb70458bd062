//! Pictures of what items make: side work of low priority. Never an item, never a reason to fail one.
//!
//! # Layout
//! - [`draw`]: the picture of a mesh or a map. Pure.
//! - [`child`]: draws in a process of its own, so that a broken file or a lack of memory ends only that.
//! - [`serve`]: takes wishes from the coordinator, one at a time.

pub mod child;
pub mod draw;
pub mod serve;

use tidemill_proto::v1::{Picture, PictureWish};

pub use draw::{Drawing, draw};
pub use serve::serve;

/// Files larger than this have no picture: drawing one must not need the memory that items are for.
pub const MOST_FILE_BYTES: u64 = 256 * 1024 * 1024;

/// Why there is no picture.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Undrawn {
    /// Of this file there is none; that is kept.
    Never(String),
    /// The file could not be had, or nothing could be started here; whoever looks again may have more luck.
    NotNow(String),
}

/// The answer to a wish: a PNG file with its frames, or why there is none, which is empty if there may be one later.
pub fn answer(wish: PictureWish, drawn: Result<(Vec<u8>, u32), Undrawn>) -> Picture {
    let (png, frames, trouble) = match drawn {
        Ok((png, frames)) => (png, frames, String::new()),
        Err(Undrawn::Never(trouble)) => (Vec::new(), 0, trouble),
        Err(Undrawn::NotNow(reason)) => {
            tracing::debug!("a picture is not drawn now: {reason}");
            (Vec::new(), 0, String::new())
        }
    };
    Picture {
        of: Some(wish),
        png,
        frames,
        trouble,
    }
}

/// For a file of more than [`MOST_FILE_BYTES`].
pub fn too_large() -> Undrawn {
    Undrawn::Never("the file is too large for a picture".to_owned())
}
