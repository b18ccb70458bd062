//! Shapes as cells of a grid, and a page on which they find their places.
//!
//! A shape is a few runs of cells in each of its rows. The page is a bit for each cell, and asked about a whole row of places at
//! once: where a run cannot begin are the page's bits, smeared over the run's length.

use std::cmp::Reverse;
use std::ops::Range;

use rayon::prelude::*;

/// The cells that a chart touches.
#[derive(Debug, Clone)]
pub(super) struct Shape {
    pub width: usize,
    pub height: usize,
    /// For each row where its runs begin.
    first: Vec<u32>,
    /// Begin and end of each run, apart from each other and in order.
    runs: Vec<[u32; 2]>,
    /// The longest run of each row that has one.
    longest: Vec<(u32, u32)>,
    /// Rows in the order in which they are asked about, so that it is known soon where there is no place: the one with the longest run,
    /// then some far apart, then those between.
    order: Vec<u32>,
}

impl Shape {
    /// Of spans of cells in each row, in any order.
    pub fn of(width: usize, mut spans: Vec<Vec<[u32; 2]>>) -> Self {
        let mut first = vec![0];
        let mut runs: Vec<[u32; 2]> = Vec::new();
        let mut longest = Vec::with_capacity(spans.len());
        for (row, spans) in spans.iter_mut().enumerate() {
            spans.sort_unstable();
            let of_row = runs.len();
            for &[begin, end] in spans.iter() {
                match runs[of_row..].last_mut() {
                    Some(last) if begin <= last[1] => last[1] = last[1].max(end),
                    _ => runs.push([begin, end]),
                }
            }
            let lengths = runs[of_row..].iter().map(|[begin, end]| end - begin);
            longest.extend(lengths.max().map(|length| (length, row as u32)));
            first.push(runs.len() as u32);
        }
        longest.sort_unstable_by_key(|&(length, row)| (Reverse(length), row));
        let mut order: Vec<u32> = longest.iter().map(|&(_, row)| row).collect();
        if let [_, others @ ..] = order.as_mut_slice() {
            // Numbers that are read backwards, bit by bit, jump to and fro.
            others.sort_unstable_by_key(|row| (row.reverse_bits(), *row));
        }
        Self {
            width,
            height: spans.len(),
            first,
            runs,
            longest,
            order,
        }
    }

    /// Cells of the shape.
    pub fn cells(&self) -> usize {
        self.runs.iter().map(|[begin, end]| (end - begin) as usize).sum()
    }

    fn row(&self, row: usize) -> &[[u32; 2]] {
        &self.runs[self.first[row] as usize..self.first[row + 1] as usize]
    }
}

/// How far other shapes keep away from one, in cells.
#[derive(Debug, Clone)]
pub(super) struct Distance {
    /// For each number of rows up or down how many more cells to either side are taken.
    to_sides: Vec<u32>,
}

impl Distance {
    /// Points of two cells lie so many cells apart or further.
    pub fn of(cells: f64) -> Self {
        let reach = cells.ceil() as u32;
        // Cells beside each other touch, so between two there is one cell less than they are apart.
        let between = |apart: u32| f64::from(apart.saturating_sub(1));
        let to_sides = (0..=reach)
            .filter_map(|rows| {
                (0..=reach)
                    .rev()
                    .find(|&columns| between(rows).powi(2) + between(columns).powi(2) < cells * cells)
            })
            .collect();
        Self { to_sides }
    }
}

/// A square of cells, some of which are taken.
#[derive(Debug, Clone)]
pub(super) struct Page {
    side: usize,
    /// Words of one row.
    words: usize,
    bits: Vec<u64>,
    /// Of each row the cells of its longest free stretch.
    free: Vec<u32>,
}

impl Page {
    pub fn new(side: usize) -> Self {
        let words = side.div_ceil(64);
        Self {
            side,
            words,
            bits: vec![0; words * side],
            free: vec![side as u32; side],
        }
    }

    /// Takes the cells of a shape at (x, y), and those nearer to it than the distance.
    pub fn take(&mut self, shape: &Shape, x: usize, y: usize, distance: &Distance) {
        let reach = distance.to_sides.len().saturating_sub(1);
        let rows = y.saturating_sub(reach)..(y + shape.height + reach).min(self.side);
        for on_page in rows {
            let near = on_page.saturating_sub(reach).max(y)..(on_page + reach + 1).min(y + shape.height);
            for row in near {
                // Without any distance the shape alone is taken.
                let more = distance.to_sides.get(row.abs_diff(on_page)).copied().unwrap_or(0) as usize;
                for &[begin, end] in shape.row(row - y) {
                    let begin = (x + begin as usize).saturating_sub(more);
                    let end = (x + end as usize + more).min(self.side);
                    self.set(on_page, begin..end);
                }
            }
            self.free[on_page] = self.longest_free(on_page);
        }
    }

    fn set(&mut self, row: usize, cells: Range<usize>) {
        let words = &mut self.bits[row * self.words..(row + 1) * self.words];
        let touched = cells.start / 64..cells.end.div_ceil(64);
        for (word, bits) in touched.clone().zip(&mut words[touched]) {
            let low = cells.start.saturating_sub(word * 64);
            let high = (cells.end - word * 64).min(64);
            *bits |= (u64::MAX << low) & (u64::MAX >> (64 - high));
        }
    }

    fn longest_free(&self, row: usize) -> u32 {
        let (mut longest, mut current) = (0, 0);
        for (word, &taken) in self.bits[row * self.words..(row + 1) * self.words]
            .iter()
            .enumerate()
        {
            // A word a stretch at a time, not a cell at a time.
            let (mut taken, mut left) = (taken, (self.side - word * 64).min(64) as u32);
            while left > 0 {
                let free = taken.trailing_zeros().min(left);
                current += free;
                longest = longest.max(current);
                left -= free;
                if left > 0 {
                    current = 0;
                    taken >>= free;
                    let full = taken.trailing_ones().min(left);
                    left -= full;
                    taken = taken.checked_shr(full).unwrap_or(0);
                }
            }
        }
        longest
    }

    #[cfg(test)]
    fn is_taken(&self, x: usize, y: usize) -> bool {
        self.bits[y * self.words + x / 64] >> (x % 64) & 1 == 1
    }

    /// The first place from the top, and there from the left, where no cell of the shape is taken.
    pub fn first_place(
        &self,
        shape: &Shape,
        columns: Range<usize>,
        rows: Range<usize>,
    ) -> Option<(usize, usize)> {
        rows.into_par_iter()
            .map_init(Room::default, |room, y| {
                Some((self.first_in_row(shape, columns.clone(), y, room)?, y))
            })
            .find_map_first(|found| found)
    }

    fn first_in_row(&self, shape: &Shape, columns: Range<usize>, y: usize, room: &mut Room) -> Option<usize> {
        let has_stretch = |&(length, row): &(u32, u32)| self.free[y + row as usize] >= length;
        if !shape.longest.iter().all(has_stretch) {
            return None;
        }
        room.barred.clear();
        room.barred.resize(self.words, u64::MAX);
        for column in columns {
            room.barred[column / 64] &= !(1 << (column % 64));
        }
        // Only words in which a beginning is left are looked at.
        let mut left = 0..self.words;
        for &row in &shape.order {
            let on_page = y + row as usize;
            let taken = &self.bits[on_page * self.words..(on_page + 1) * self.words];
            for &[begin, end] in shape.row(row as usize) {
                let is_left = |word: &u64| *word != u64::MAX;
                let open = &room.barred[left.clone()];
                let (Some(from), Some(to)) = (open.iter().position(is_left), open.iter().rposition(is_left))
                else {
                    return None;
                };
                left = left.start + from..left.start + to + 1;
                let (begin, length) = (begin as usize, (end - begin) as usize);
                let read = left.start + begin / 64..(left.end + (begin + length) / 64 + 1).min(self.words);
                room.smeared.clear();
                room.smeared.extend_from_slice(&taken[read]);
                smear(&mut room.smeared, length);
                bar(&mut room.barred[left.clone()], &room.smeared, begin % 64);
            }
        }
        let word = left.clone().find(|&word| room.barred[word] != u64::MAX)?;
        Some(word * 64 + room.barred[word].trailing_ones() as usize)
    }
}

/// Room for one question.
#[derive(Default)]
struct Room {
    /// Columns where the shape cannot begin.
    barred: Vec<u64>,
    smeared: Vec<u64>,
}

/// Sets each bit if any of the `length` bits from it on is set.
fn smear(words: &mut [u64], length: usize) {
    let mut done = 1;
    while done < length {
        let step = done.min(length - done);
        let (by, shift) = (step / 64, step % 64);
        // Upwards, words that are read have not been written.
        for word in 0..words.len() {
            words[word] |= shifted(words, word + by, shift);
        }
        done += step;
    }
}

/// Bars a beginning wherever the bit `ahead` of it, fewer than 64, is set.
fn bar(barred: &mut [u64], smeared: &[u64], ahead: usize) {
    for (word, barred) in barred.iter_mut().enumerate() {
        *barred |= shifted(smeared, word, ahead);
    }
}

/// The 64 bits that begin `shift` bits into a word; zeros beyond the last word.
fn shifted(words: &[u64], word: usize, shift: usize) -> u64 {
    let low = words.get(word).map_or(0, |bits| bits >> shift);
    match shift {
        0 => low,
        _ => low | words.get(word + 1).map_or(0, |bits| bits << (64 - shift)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Cells of a shape, one by one.
    fn cells(shape: &Shape) -> Vec<(usize, usize)> {
        let of_row = |row: usize| {
            let runs = shape.row(row).iter();
            runs.flat_map(move |&[begin, end]| (begin..end).map(move |x| (x as usize, row)))
        };
        (0..shape.height).flat_map(of_row).collect()
    }

    fn shapes() -> [Shape; 3] {
        [
            // Two runs in a row, one that is met in two halves, and one row that is empty.
            Shape::of(
                140,
                vec![vec![[100, 140], [0, 3]], vec![], vec![[5, 70], [60, 133], [1, 2]]],
            ),
            Shape::of(3, vec![vec![[0, 1]], vec![[1, 2]], vec![[2, 3]]]),
            Shape::of(64, vec![vec![[0, 64]]; 4]),
        ]
    }

    #[test]
    fn runs_are_what_spans_cover() {
        let [shape, ..] = shapes();
        assert_eq!(shape.row(0), [[0, 3], [100, 140]]);
        assert_eq!(shape.row(2), [[1, 2], [5, 133]]);
        assert_eq!(shape.cells(), 43 + 129);
        assert_eq!(shape.longest, [(128, 2), (40, 0)]);
    }

    #[test]
    fn cells_nearer_than_the_distance_are_taken_and_no_others() {
        for apart in [0.0, 1.0, 2.5, 4.0] {
            for shape in shapes() {
                let mut page = Page::new(200);
                page.take(&shape, 37, 2, &Distance::of(apart));
                let own = cells(&shape);
                for y in 0..30 {
                    for x in 0..200 {
                        let near = own.iter().any(|&(sx, sy)| {
                            let gap = |one: usize, other: usize| one.abs_diff(other).saturating_sub(1) as f64;
                            let squared = gap(sx + 37, x).powi(2) + gap(sy + 2, y).powi(2);
                            (sx + 37, sy + 2) == (x, y) || squared < apart * apart
                        });
                        assert_eq!(page.is_taken(x, y), near, "{x} {y} {apart}");
                    }
                }
            }
        }
    }

    #[test]
    fn the_longest_free_stretch_of_a_row_is_counted() {
        let mut state = 9_u32;
        for side in [1, 63, 64, 65, 200] {
            for _ in 0..200 {
                let mut page = Page::new(side);
                for _ in 0..4 {
                    state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                    let begin = (state >> 8) as usize % side;
                    let end = (begin + (state >> 20) as usize % (side + 1)).min(side);
                    if begin < end {
                        page.set(0, begin..end);
                    }
                }
                let cells: String = (0..side)
                    .map(|x| if page.is_taken(x, 0) { '#' } else { ' ' })
                    .collect();
                let expected = cells.split('#').map(str::len).max();
                assert_eq!(Some(page.longest_free(0) as usize), expected, "{cells}");
            }
        }
    }

    #[test]
    fn the_first_place_is_the_first_of_all_that_are_free() {
        let mut page = Page::new(200);
        let distance = Distance::of(2.0);
        let mut state = 5_u32;
        for round in 0..40 {
            let shape = &shapes()[round % 3];
            let own = cells(shape);
            let (columns, rows) = (3..198 - shape.width, 1..190 - shape.height);
            let is_free = |x: usize, y: usize| own.iter().all(|&(sx, sy)| !page.is_taken(x + sx, y + sy));
            let expected = rows
                .clone()
                .flat_map(|y| columns.clone().map(move |x| (x, y)))
                .find(|&(x, y)| is_free(x, y));
            assert_eq!(page.first_place(shape, columns, rows), expected, "{round}");
            // Some go where there is room, some anywhere.
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let anywhere = ((state >> 26) as usize, (state >> 10 & 127) as usize);
            let (x, y) = expected.filter(|_| round % 4 > 0).unwrap_or(anywhere);
            page.take(shape, x.min(200 - shape.width), y, &distance);
        }
    }
}
