//! Shapes as bits in a grid of cells.

/// Rows of bits. Bits beyond the width are clear.
#[derive(Debug, Clone)]
pub(super) struct Mask {
    pub width: usize,
    pub height: usize,
    /// Words of one row.
    words: usize,
    bits: Vec<u64>,
}

impl Mask {
    pub fn new(width: usize, height: usize) -> Self {
        // One word to spare, so that a shifted row never ends outside.
        let words = width.div_ceil(64) + 1;
        Self {
            width,
            height,
            words,
            bits: vec![0; words * height],
        }
    }

    pub fn set(&mut self, x: usize, y: usize) {
        self.bits[y * self.words + x / 64] |= 1 << (x % 64);
    }

    #[cfg(test)]
    pub fn get(&self, x: usize, y: usize) -> bool {
        self.bits[y * self.words + x / 64] >> (x % 64) & 1 == 1
    }

    /// Grown by so many cells in all directions; the origin moves by as many.
    pub fn grown(&self, by: usize) -> Self {
        let mut wide = Self::new(self.width + 2 * by, self.height);
        for y in 0..self.height {
            for step in 0..=2 * by {
                self.or_row(y, &mut wide, step, y);
            }
        }
        let mut grown = Self::new(wide.width, self.height + 2 * by);
        for y in 0..self.height {
            for step in 0..=2 * by {
                wide.or_row(y, &mut grown, 0, y + step);
            }
        }
        grown
    }

    /// Sets in `other` what is set here, with the origin at (x, y).
    pub fn stamp(&self, other: &mut Self, x: usize, y: usize) {
        for row in 0..self.height {
            self.or_row(row, other, x, y + row);
        }
    }

    fn or_row(&self, row: usize, other: &mut Self, x: usize, y: usize) {
        let (first, shift) = (y * other.words + x / 64, x % 64);
        for (word, &bits) in self.row(row).iter().enumerate() {
            if bits == 0 {
                continue;
            }
            other.bits[first + word] |= bits << shift;
            if shift > 0 && bits >> (64 - shift) != 0 {
                other.bits[first + word + 1] |= bits >> (64 - shift);
            }
        }
    }

    /// With the origin at (x, y) none of its bits is set in the page.
    pub fn is_free_in(&self, page: &Self, x: usize, y: usize) -> bool {
        let shift = x % 64;
        (0..self.height).all(|row| {
            let first = (y + row) * page.words + x / 64;
            self.row(row).iter().enumerate().all(|(word, &bits)| {
                if bits == 0 {
                    return true;
                }
                let free = page.bits[first + word] & (bits << shift) == 0;
                // What is shifted out of the page's last word is nothing: the mask lies inside.
                free && (shift == 0
                    || bits >> (64 - shift) == 0
                    || page.bits[first + word + 1] & (bits >> (64 - shift)) == 0)
            })
        })
    }

    fn row(&self, row: usize) -> &[u64] {
        &self.bits[row * self.words..(row + 1) * self.words]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn growing_stamping_and_asking_agree_with_single_bits() {
        let mut shape = Mask::new(70, 5);
        for (x, y) in [(0, 0), (3, 1), (63, 2), (64, 2), (69, 4), (20, 4)] {
            shape.set(x, y);
        }
        let grown = shape.grown(3);
        for y in 0..grown.height {
            for x in 0..grown.width {
                let near = (0..5).any(|sy| {
                    (0..70)
                        .any(|sx| shape.get(sx, sy) && (sx + 3).abs_diff(x) <= 3 && (sy + 3).abs_diff(y) <= 3)
                });
                assert_eq!(grown.get(x, y), near, "{x} {y}");
            }
        }
        let mut page = Mask::new(200, 40);
        shape.stamp(&mut page, 61, 17);
        for y in 0..40 {
            for x in 0..200 {
                let set = x >= 61 && y >= 17 && x < 131 && y < 22 && shape.get(x - 61, y - 17);
                assert_eq!(page.get(x, y), set, "{x} {y}");
            }
        }
        for y in 0..=40 - grown.height {
            for x in 0..=200 - grown.width {
                let clear = (0..grown.height)
                    .all(|gy| (0..grown.width).all(|gx| !grown.get(gx, gy) || !page.get(x + gx, y + gy)));
                assert_eq!(grown.is_free_in(&page, x, y), clear, "{x} {y}");
            }
        }
    }
}
