//! All rows as one stream of bytes, to move a record to another database or machine.
//!
//! ```text
//! "tidemill record 1\n"
//! per row: key length (4 bytes, little-endian), key, value length (4 bytes), value
//! end: FF FF FF FF, number of rows (8 bytes, little-endian)
//! ```

use std::io::{self, Read, Write};
use std::ops::ControlFlow;

use super::{MAX_ROW_BYTES, Op, Record, RecordError, Result, Scan};

const MAGIC: &[u8] = b"tidemill record 1\n";
const END: u32 = u32::MAX;

/// Writes all rows; gives their number.
pub(super) fn write_export<R: Record + ?Sized>(record: &R, out: &mut dyn Write) -> Result<u64> {
    out.write_all(MAGIC).map_err(failed)?;
    let (mut count, mut outcome) = (0_u64, Ok(()));
    record.visit(&Scan::of([]), &mut |key, value| {
        outcome = write_row(out, key, value);
        count += 1;
        if outcome.is_ok() {
            ControlFlow::Continue(())
        } else {
            ControlFlow::Break(())
        }
    })?;
    outcome.map_err(failed)?;
    out.write_all(&END.to_le_bytes()).map_err(failed)?;
    out.write_all(&count.to_le_bytes()).map_err(failed)?;
    out.flush().map_err(failed)?;
    Ok(count)
}

/// Reads an export and hands over its rows as changes, in groups that can be committed; gives their number.
/// An export that is cut short or has bytes that do not belong is an error, after the rows before it.
pub fn read_export(input: &mut dyn Read, each_group: &mut dyn FnMut(Vec<Op>) -> Result<()>) -> Result<u64> {
    const GROUP: usize = 500;
    let mut magic = [0; MAGIC.len()];
    input.read_exact(&mut magic).map_err(failed)?;
    if magic != MAGIC {
        return Err(RecordError::Export(
            "this is not an export of a record".to_owned(),
        ));
    }
    let (mut count, mut group) = (0_u64, Vec::new());
    loop {
        let length = read_u32(input)?;
        if length == END {
            break;
        }
        let key = read_bytes(input, length)?;
        let length = read_u32(input)?;
        group.push(Op::Put {
            key,
            value: read_bytes(input, length)?,
        });
        count += 1;
        if group.len() == GROUP {
            each_group(std::mem::take(&mut group))?;
        }
    }
    let mut announced = [0; 8];
    input.read_exact(&mut announced).map_err(failed)?;
    if u64::from_le_bytes(announced) != count {
        return Err(RecordError::Export(format!(
            "it holds {count} rows, not as many as it says"
        )));
    }
    each_group(group)?;
    Ok(count)
}

fn write_row(out: &mut dyn Write, key: &[u8], value: &[u8]) -> io::Result<()> {
    for part in [key, value] {
        // Rows are at most MAX_ROW_BYTES, so the length fits.
        out.write_all(&u32::try_from(part.len()).unwrap_or(END).to_le_bytes())?;
        out.write_all(part)?;
    }
    Ok(())
}

fn read_u32(input: &mut dyn Read) -> Result<u32> {
    let mut bytes = [0; 4];
    input.read_exact(&mut bytes).map_err(failed)?;
    Ok(u32::from_le_bytes(bytes))
}

fn read_bytes(input: &mut dyn Read, length: u32) -> Result<Vec<u8>> {
    match usize::try_from(length) {
        Ok(length) if length <= MAX_ROW_BYTES => {
            let mut bytes = vec![0; length];
            input.read_exact(&mut bytes).map_err(failed)?;
            Ok(bytes)
        }
        _ => Err(RecordError::Export(format!("it holds a row of {length} bytes"))),
    }
}

fn failed(error: io::Error) -> RecordError {
    RecordError::Export(error.to_string())
}
