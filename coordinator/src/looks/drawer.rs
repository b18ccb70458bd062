//! The folder of pictures: `pictures/ab/<digest of what is shown>-<colours>.png`, and `.txt` with the reason where
//! nothing could be drawn.
//!
//! It is a cache beside the store, not a part of it: nothing refers to it, nothing is synced, a lost picture is drawn
//! again. So it needs neither rows of the record nor a place in the store's sweep.

use std::fs::File;
use std::io::{self, Read as _};
use std::path::{Path, PathBuf};

use prost::Message as _;
use tidemill_proto::Digest;
use tidemill_proto::v1::{Picture, PictureWish};

/// Raised when pictures are drawn in another way, so that old ones are drawn anew.
const LOOK: u32 = 3;
/// A PNG file begins so (PNG specification, section 5.2).
const PNG_BEGINS: &[u8] = b"\x89PNG\r\n\x1a\n";
/// The number of frames, and enough to tell a PNG file.
const BEGINNING: u64 = 1 + PNG_BEGINS.len() as u64;
/// No picture is larger.
pub const MOST_BYTES: usize = 4 * 1024 * 1024;

/// The folder.
#[derive(Debug, Clone)]
pub struct Drawer {
    folder: PathBuf,
}

impl Drawer {
    /// Pictures below `data`.
    pub fn below(data: &Path) -> Self {
        Self {
            folder: data.join("pictures"),
        }
    }

    /// The picture, if it is there; one that cannot be drawn comes with its trouble. Blocks.
    pub fn find(&self, wish: &PictureWish) -> Option<Picture> {
        self.look(wish, u64::MAX)
    }

    /// As [`Drawer::find`], without the bytes. Blocks.
    pub fn glance(&self, wish: &PictureWish) -> Option<Picture> {
        let mut seen = self.look(wish, BEGINNING)?;
        seen.png.clear();
        Some(seen)
    }

    /// Whether there is an answer to the wish. Blocks.
    pub fn has(&self, wish: &PictureWish) -> bool {
        self.look(wish, BEGINNING).is_some()
    }

    /// What answers a wish, read as far as `most` bytes. Nothing is synced here, so what a power cut has left is looked at
    /// before it is believed.
    fn look(&self, wish: &PictureWish, most: u64) -> Option<Picture> {
        let turning = PictureWish {
            still: false,
            ..wish.clone()
        };
        // Whoever wants a still is content with a turntable.
        let wishes = std::iter::once(wish).chain(wish.still.then_some(&turning));
        wishes.filter_map(|one| self.path(one)).find_map(|path| {
            let mut picture = Picture {
                of: Some(wish.clone()),
                ..Picture::default()
            };
            let mut bytes = Vec::new();
            let read = File::open(path.with_extension("png"))
                .and_then(|file| file.take(most).read_to_end(&mut bytes));
            if read.is_ok()
                && let Some((frames, png)) = bytes.split_first()
                && png.starts_with(PNG_BEGINS)
            {
                picture.frames = u32::from(*frames);
                picture.png = png.to_vec();
                return Some(picture);
            }
            picture.trouble = std::fs::read_to_string(path.with_extension("txt")).ok()?;
            (!picture.trouble.is_empty()).then_some(picture)
        })
    }

    /// Keeps a picture. Blocks.
    ///
    /// # Errors
    /// When it is no picture, or cannot be written.
    pub fn keep(&self, picture: &Picture) -> io::Result<()> {
        let bad = |text: &str| io::Error::new(io::ErrorKind::InvalidData, text.to_owned());
        let wish = picture
            .of
            .as_ref()
            .ok_or_else(|| bad("a picture must say what it shows"))?;
        let path = self
            .path(wish)
            .ok_or_else(|| bad("a picture must name a digest"))?;
        let (extension, bytes) = if picture.png.is_empty() && picture.trouble.is_empty() {
            return Err(bad("a picture without bytes must say why"));
        } else if picture.png.is_empty() {
            ("txt", picture.trouble.clone().into_bytes())
        } else if picture.png.len() <= MOST_BYTES && picture.png.starts_with(PNG_BEGINS) {
            let frames =
                u8::try_from(picture.frames.max(1)).map_err(|_| bad("a picture has too many frames"))?;
            ("png", [&[frames], picture.png.as_slice()].concat())
        } else {
            return Err(bad("a picture must be a PNG file of at most 4 MiB"));
        };
        let folder = path.parent().unwrap_or(&self.folder);
        std::fs::create_dir_all(folder)?;
        // Readers see all of it or nothing.
        let fresh = path.with_extension(format!("{}.new", uuid::Uuid::new_v4()));
        std::fs::write(&fresh, bytes)
            .and_then(|()| std::fs::rename(&fresh, path.with_extension(extension)))
            .inspect_err(|_| drop(std::fs::remove_file(&fresh)))
    }

    fn path(&self, wish: &PictureWish) -> Option<PathBuf> {
        let digest = Digest::from_slice(&wish.digest).ok()?.to_string();
        let colours = Digest::of(
            &PictureWish {
                digest: LOOK.to_be_bytes().to_vec(),
                ..wish.clone()
            }
            .encode_to_vec(),
        );
        let name = format!("{digest}-{}", &colours.to_string()[..8]);
        Some(self.folder.join(&digest[..2]).join(name))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use tidemill_proto::v1::Tag;

    fn wish(color: u32) -> PictureWish {
        PictureWish {
            digest: Digest::of(b"a mesh").to_vec(),
            extension: ".glb".into(),
            tags: vec![Tag {
                name: "iron".into(),
                color,
            }],
            still: false,
        }
    }

    #[test]
    fn a_picture_is_found_by_what_it_shows_in_which_colours() {
        let folder = tempfile::tempdir().unwrap();
        let drawer = Drawer::below(folder.path());
        let picture = Picture {
            of: Some(wish(1)),
            png: [PNG_BEGINS, b"rest"].concat(),
            frames: 8,
            ..Picture::default()
        };
        assert!(!drawer.has(&wish(1)));
        drawer.keep(&picture).unwrap();
        assert_eq!(drawer.find(&wish(1)), Some(picture));
        assert_eq!(drawer.glance(&wish(1)).map(|seen| seen.frames), Some(8));
        assert_eq!(drawer.find(&wish(2)), None, "other colours, another picture");
    }

    #[test]
    fn a_still_is_answered_by_a_turntable_but_not_the_other_way_round() {
        let folder = tempfile::tempdir().unwrap();
        let drawer = Drawer::below(folder.path());
        let still = PictureWish {
            still: true,
            ..wish(1)
        };
        let picture = |of: &PictureWish, frames| Picture {
            of: Some(of.clone()),
            png: PNG_BEGINS.to_vec(),
            frames,
            ..Picture::default()
        };
        drawer.keep(&picture(&still, 1)).unwrap();
        assert!(drawer.has(&still) && !drawer.has(&wish(1)));
        drawer.keep(&picture(&wish(2), 8)).unwrap();
        let other = PictureWish {
            still: true,
            ..wish(2)
        };
        assert_eq!(drawer.find(&other), Some(picture(&other, 8)));
    }

    #[test]
    fn what_a_power_cut_left_of_a_picture_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let drawer = Drawer::below(folder.path());
        let path = drawer.path(&wish(1)).unwrap();
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        for extension in ["png", "txt"] {
            std::fs::write(path.with_extension(extension), b"").unwrap();
        }
        assert!(
            !drawer.has(&wish(1)) && drawer.find(&wish(1)).is_none() && drawer.glance(&wish(1)).is_none()
        );
    }

    #[test]
    fn trouble_is_kept_and_what_is_no_picture_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let drawer = Drawer::below(folder.path());
        let trouble = Picture {
            of: Some(wish(1)),
            trouble: "it has no triangles".into(),
            ..Picture::default()
        };
        drawer.keep(&trouble).unwrap();
        assert_eq!(drawer.find(&wish(1)), Some(trouble.clone()));
        let script = Picture {
            png: b"<script>".to_vec(),
            ..trouble
        };
        assert!(drawer.keep(&script).is_err());
        assert!(drawer.keep(&Picture::default()).is_err());
    }
}
