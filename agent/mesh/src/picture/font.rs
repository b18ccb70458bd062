//! A bitmap font of our own, drawn in `font.txt`: 16 letters in a block from the space on, each 5 by 9 with two rows below the
//! base line. What it does not have is shown as a box.

use std::sync::OnceLock;

pub(super) const WIDTH: usize = 5;
pub(super) const HEIGHT: usize = 9;
/// Rows above the base line.
pub(super) const ASCENT: usize = 7;
/// From one letter to the next.
pub(super) const ADVANCE: usize = 6;

const DRAWING: &str = include_str!("font.txt");
const FIRST: usize = 0x20;
const IN_A_BLOCK: usize = 16;
const LETTERS: usize = 96;

/// Each row's ink, the leftmost column in bit 0.
pub(super) type Glyph = [u8; HEIGHT];

pub(super) fn glyph(letter: char) -> Glyph {
    static GLYPHS: OnceLock<Vec<Glyph>> = OnceLock::new();
    let glyphs = GLYPHS.get_or_init(|| (0..LETTERS).map(parse).collect());
    let index = (letter as usize)
        .checked_sub(FIRST)
        .filter(|index| *index < LETTERS);
    // The last one, where ASCII has no letter, is the box.
    glyphs[index.unwrap_or(LETTERS - 1)]
}

fn parse(index: usize) -> Glyph {
    let (block, place) = (index / IN_A_BLOCK, index % IN_A_BLOCK);
    let mut lines = DRAWING.lines().skip(block * (HEIGHT + 1));
    std::array::from_fn(|_| {
        let row = lines
            .next()
            .unwrap_or_default()
            .bytes()
            .skip(place * ADVANCE)
            .take(WIDTH);
        row.enumerate()
            .fold(0, |ink, (column, byte)| ink | u8::from(byte == b'#') << column)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_letter_is_drawn_and_no_two_are_alike() {
        let glyphs: Vec<Glyph> = (0x20u8..0x7F).map(|byte| glyph(char::from(byte))).collect();
        for (index, one) in glyphs.iter().enumerate() {
            assert_eq!(
                *one == [0; HEIGHT],
                index == 0,
                "{:?}",
                char::from(index as u8 + 0x20)
            );
            assert!(
                !glyphs[..index].contains(one),
                "{:?}",
                char::from(index as u8 + 0x20)
            );
        }
        assert_eq!(glyph('é'), glyph('\u{7F}'));
    }

    #[test]
    fn the_drawing_has_its_shape() {
        for (number, line) in DRAWING.lines().enumerate() {
            let expected = if number % (HEIGHT + 1) == HEIGHT {
                0
            } else {
                IN_A_BLOCK * ADVANCE - 1
            };
            assert_eq!(line.len(), expected, "line {}", number + 1);
        }
    }
}
