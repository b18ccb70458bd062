//! What lies outside the charts: each texel there takes the value of the nearest one inside.
//!
//! So filtering and mip levels never mix in a colour that no chart has, whatever the padding.

/// For each texel the nearest covered one (itself where covered), by Euclidean distance of middles.
///
/// Exact, in two sweeps: first within each column, then along rows over the lower envelope of parabolas (Felzenszwalb &
/// Huttenlocher, Distance Transforms of Sampled Functions, 2012, from memory).
pub(in crate::operations) fn nearest_covered(covered: &[bool], size: usize) -> Vec<u32> {
    const NONE: u32 = u32::MAX;
    // Row of the nearest covered texel in the same column.
    let mut in_column = vec![NONE; size * size];
    for column in 0..size {
        let mut last = NONE;
        for row in 0..size {
            if covered[row * size + column] {
                last = row as u32;
            }
            in_column[row * size + column] = last;
        }
        let mut last = NONE;
        for row in (0..size).rev() {
            if covered[row * size + column] {
                last = row as u32;
            }
            let slot = &mut in_column[row * size + column];
            let closer = *slot == NONE || (last != NONE && last - (row as u32) < row as u32 - *slot);
            if closer {
                *slot = last;
            }
        }
    }
    let mut nearest = vec![0; size * size];
    let mut hull: Vec<(usize, f64)> = Vec::with_capacity(size);
    for row in 0..size {
        hull.clear();
        let height = |column: usize| {
            let distance = f64::from(in_column[row * size + column]) - row as f64;
            distance * distance
        };
        for column in (0..size).filter(|&column| in_column[row * size + column] != NONE) {
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
        for column in 0..size {
            while at + 1 < hull.len() && hull[at + 1].1 < column as f64 {
                at += 1;
            }
            if let Some(&(from, _)) = hull.get(at) {
                nearest[row * size + column] = in_column[row * size + from] * size as u32 + from as u32;
            }
        }
    }
    nearest
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
