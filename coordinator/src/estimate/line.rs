//! A straight line through a few measured points that single odd points do not tilt.
//!
//! The slope is the median of the slopes between all pairs of points (Theil 1950, Sen 1968; from memory).

/// A measured value at an input size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Point {
    pub(super) size: f64,
    pub(super) value: f64,
}

/// Sizes that differ by less than this factor say nothing about a slope.
const SPREAD_NEEDED: f64 = 1.25;

/// How the values grow with size; never negative, and 0 where the sizes are too much alike to tell.
pub(super) fn slope(points: &[Point]) -> f64 {
    let sizes = || points.iter().map(|point| point.size);
    let (smallest, largest) = (sizes().fold(f64::INFINITY, f64::min), sizes().fold(0.0, f64::max));
    if points.len() < 3 || largest < smallest.max(1.0) * SPREAD_NEEDED {
        return 0.0;
    }
    let mut slopes = Vec::new();
    for (nth, one) in points.iter().enumerate() {
        for other in &points[nth + 1..] {
            if one.size != other.size {
                slopes.push((one.value - other.value) / (one.size - other.size));
            }
        }
    }
    median(&mut slopes).unwrap_or(0.0).max(0.0)
}

/// The middle value; the mean of the two middle ones if their number is even.
pub(super) fn median(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    Some(if values.len().is_multiple_of(2) {
        (values[middle - 1] + values[middle]) / 2.0
    } else {
        values[middle]
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(values: &[(f64, f64)]) -> Vec<Point> {
        values
            .iter()
            .map(|(size, value)| Point {
                size: *size,
                value: *value,
            })
            .collect()
    }

    #[test]
    fn an_odd_point_does_not_tilt_the_line() {
        let line = points(&[
            (10.0, 25.0),
            (20.0, 45.0),
            (30.0, 65.0),
            (40.0, 900.0),
            (50.0, 105.0),
        ]);
        assert!((slope(&line) - 2.0).abs() < 1e-9);
    }

    #[test]
    fn sizes_that_are_alike_and_falling_values_have_no_slope() {
        assert_eq!(slope(&points(&[(100.0, 1.0), (101.0, 50.0), (102.0, 90.0)])), 0.0);
        assert_eq!(slope(&points(&[(1.0, 90.0), (10.0, 50.0), (100.0, 1.0)])), 0.0);
    }
}
