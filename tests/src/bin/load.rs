//! `load FILE TENTHS OUTPUT [SIGN]`: an item that holds memory, see [`tidemill_tests::load`].

use std::path::Path;

fn main() -> std::io::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let ([file, tenths, copy], sign) = match arguments.as_slice() {
        [file, tenths, copy] => ([file, tenths, copy], None),
        [file, tenths, copy, sign] => ([file, tenths, copy], Some(Path::new(sign))),
        _ => return Err(std::io::Error::other("usage: load FILE TENTHS OUTPUT [SIGN]")),
    };
    let tenths = tenths.parse().map_err(std::io::Error::other)?;
    tidemill_tests::load::hold(Path::new(file), tenths, Path::new(copy), sign)
}
