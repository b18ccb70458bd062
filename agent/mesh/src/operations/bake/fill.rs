//! What lies outside the charts: each texel there takes the value of the nearest one inside.
//!
//! So filtering and mip levels never mix in a colour that no chart has, whatever the padding.

use rayon::prelude::*;

/// No covered texel.
const NONE: u32 = u32::MAX;

/// For each texel the nearest covered one (itself where covered), by Euclidean distance of middles.
///
/// Exact, in two sweeps: first within each column, then along rows over the lower envelope of parabolas (Felzenszwalb &
/// Huttenlocher, Distance Transforms of Sampled Functions, 2012, from memory).
pub(in crate::operations) fn nearest_covered(covered: &[bool], size: usize) -> Vec<u32> {
    // Row of the nearest covered texel in the same column: once from above, once from below, a row at a time.
    let mut in_column = vec![NONE; size * size];
    let mut last = vec![NONE; size];
    for (row, (covered, nearest)) in covered.chunks(size).zip(in_column.chunks_mut(size)).enumerate() {
        for ((&covered, last), slot) in covered.iter().zip(&mut last).zip(nearest) {
            *last = if covered { row as u32 } else { *last };
            *slot = *last;
        }
    }
    last.fill(NONE);
    let rows = covered.chunks(size).zip(in_column.chunks_mut(size)).enumerate();
    for (row, (covered, nearest)) in rows.rev() {
        for ((&covered, last), slot) in covered.iter().zip(&mut last).zip(nearest) {
            *last = if covered { row as u32 } else { *last };
            let closer = *slot == NONE || (*last != NONE && *last - (row as u32) < row as u32 - *slot);
            *slot = if closer { *last } else { *slot };
        }
    }
    let mut nearest = vec![0; size * size];
    nearest
        .par_chunks_mut(size)
        .enumerate()
        .for_each_init(Vec::new, |hull, (row, nearest)| {
            fill_row(row, &in_column[row * size..(row + 1) * size], hull, nearest);
        });
    nearest
}

/// For each texel of a row the nearest covered one, given the row of the nearest in each column.
fn fill_row(row: usize, in_column: &[u32], hull: &mut Vec<(usize, f64)>, nearest: &mut [u32]) {
    let size = in_column.len();
    hull.clear();
    let height = |column: usize| {
        let distance = f64::from(in_column[column]) - row as f64;
        distance * distance
    };
    for column in (0..size).filter(|&column| in_column[column] != NONE) {
        let mut begins = f64::NEG_INFINITY;
        while let Some(&(other, since)) = hull.last() {
            let (c, o) = (column as f64, other as f64);
            begins = ((height(column) + c * c) - (height(other) + o * o)) / (2.0 * (c - o));
            if begins > since {
                break;
            }
            hull.pop();
            begins = f64::NEG_INFINITY;
        }
        hull.push((column, begins));
    }
    let mut at = 0;
    for (column, nearest) in nearest.iter_mut().enumerate() {
        while at + 1 < hull.len() && hull[at + 1].1 < column as f64 {
            at += 1;
        }
        if let Some(&(from, _)) = hull.get(at) {
            *nearest = in_column[from] * size as u32 + from as u32;
        }
    }
}

/// Stands in the place of the nearest covered texel where that is too far away.
pub(super) const BEYOND: u32 = u32::MAX;

/// Leaves alone what lies further than `most` texels from the nearest covered one, by the distance of middles.
pub(super) fn end_beyond(nearest: &mut [u32], size: usize, most: u32) {
    let most = u64::from(most) * u64::from(most);
    for (texel, from) in nearest.iter_mut().enumerate() {
        let source = *from as usize;
        let across = (texel % size).abs_diff(source % size) as u64;
        let down = (texel / size).abs_diff(source / size) as u64;
        if across * across + down * down > most {
            *from = BEYOND;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_texel_finds_a_nearest_one() {
        const SIZE: usize = 24;
        let mut state = 3_u32;
        let covered: Vec<bool> = (0..SIZE * SIZE)
            .map(|_| {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                state >> 26 == 0
            })
            .collect();
        assert!(covered.contains(&true));
        let squared = |a: usize, b: usize| {
            let (dx, dy) = ((a % SIZE).abs_diff(b % SIZE), (a / SIZE).abs_diff(b / SIZE));
            dx * dx + dy * dy
        };
        for (texel, &found) in nearest_covered(&covered, SIZE).iter().enumerate() {
            assert!(covered[found as usize]);
            let least = (0..SIZE * SIZE)
                .filter(|&other| covered[other])
                .map(|other| squared(texel, other))
                .min();
            assert_eq!(Some(squared(texel, found as usize)), least);
        }
    }
}
