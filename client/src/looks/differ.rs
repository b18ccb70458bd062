//! How much two outputs differ: pixels of maps, surfaces of meshes. Pure.

use std::collections::BTreeMap;

use rayon::prelude::*;
use tidemill_mesh::map::Samples;
use tidemill_mesh::read::{ModelFile, Placement, read_mesh};
use tidemill_mesh::spatial::{Bvh, point};
use tidemill_mesh::{Map, Mesh};

/// What was measured.
#[derive(Debug, Clone, PartialEq)]
pub enum Difference {
    /// Two maps of one form.
    Pixels {
        /// Share of pixels in which any channel differs, 0 to 1.
        changed_share: f64,
        /// Greatest difference of one channel, as a share of its range, 0 to 1.
        greatest: f64,
    },
    /// Two meshes.
    Surface {
        /// Mean over vertices and middles of faces of both, in metres: how far the other surface is.
        mean_m: f64,
        /// The greatest of these distances (a lower bound of Hausdorff's distance).
        greatest_m: f64,
        /// Triangles before and after.
        triangles: [usize; 2],
    },
    /// They differ, and in words why no more can be said.
    Other(String),
}

impl Difference {
    /// For people.
    pub fn in_words(&self) -> String {
        match self {
            Self::Pixels {
                changed_share,
                greatest,
            } => format!(
                "{:.2} % of pixels, at most {:.1} % of the range",
                changed_share * 100.0,
                greatest * 100.0
            ),
            Self::Surface {
                mean_m,
                greatest_m,
                triangles: [before, after],
            } => {
                let count = if before == after {
                    String::new()
                } else {
                    format!(", {before} -> {after} triangles")
                };
                format!(
                    "{:.2} mm on average, at most {:.2} mm{count}",
                    mean_m * 1000.0,
                    greatest_m * 1000.0
                )
            }
            Self::Other(words) => words.clone(),
        }
    }
}

/// Two outputs as they are compared.
#[derive(Debug)]
pub enum Pair {
    /// Two maps, of whatever form.
    Maps(Map, Map),
    /// Two meshes.
    Meshes(Box<Mesh>, Box<Mesh>),
    /// Neither; in words why.
    Other(String),
}

/// Reads two files of one extension.
pub fn pair(extension: &str, before: &[u8], after: &[u8]) -> Pair {
    match extension {
        ".png" => match (Map::from_png(before), Map::from_png(after)) {
            (Ok(before), Ok(after)) => Pair::Maps(before, after),
            (Err(error), _) | (_, Err(error)) => Pair::Other(error.to_string()),
        },
        ".obj" | ".glb" | ".gltf" | ".ply" => {
            let read = |bytes: &[u8]| {
                let companions = BTreeMap::new();
                let file = ModelFile {
                    bytes,
                    extension,
                    companions: &companions,
                };
                read_mesh(&file, Placement::default())
            };
            match (read(before), read(after)) {
                (Ok(before), Ok(after)) => Pair::Meshes(Box::new(before), Box::new(after)),
                (Err(error), _) | (_, Err(error)) => Pair::Other(error.to_string()),
            }
        }
        _ => Pair::Other(format!("{} bytes, then {}", before.len(), after.len())),
    }
}

/// Measures how much two outputs differ.
pub fn measure(pair: &Pair) -> Difference {
    match pair {
        Pair::Maps(before, after) => maps(before, after),
        Pair::Meshes(before, after) => meshes(before, after),
        Pair::Other(words) => Difference::Other(words.clone()),
    }
}

fn maps(before: &Map, after: &Map) -> Difference {
    let form = |map: &Map| {
        format!(
            "{} x {} pixels, {} channels of {} bits",
            map.width,
            map.height,
            map.channels,
            map.data.bit_depth()
        )
    };
    if form(before) != form(after) {
        return Difference::Other(format!("{}, then {}", form(before), form(after)));
    }
    let channels = usize::from(before.channels);
    let (changed, greatest) = match (&before.data, &after.data) {
        (Samples::Eight(a), Samples::Eight(b)) => compare(a, b, channels, u8::MAX),
        (Samples::Sixteen(a), Samples::Sixteen(b)) => compare(a, b, channels, u16::MAX),
        _ => (0, 0.0), // the forms are equal, so their depths are
    };
    let pixels = before.width as usize * before.height as usize;
    Difference::Pixels {
        changed_share: changed as f64 / pixels.max(1) as f64,
        greatest,
    }
}

fn compare<T: Copy + PartialEq + Into<i64>>(a: &[T], b: &[T], channels: usize, range: T) -> (usize, f64) {
    let mut changed = 0;
    let mut greatest = 0;
    for (a, b) in a.chunks(channels).zip(b.chunks(channels)) {
        let most = a
            .iter()
            .zip(b)
            .map(|(a, b)| ((*a).into() - (*b).into()).abs())
            .max()
            .unwrap_or(0);
        changed += usize::from(most > 0);
        greatest = greatest.max(most);
    }
    (changed, greatest as f64 / range.into() as f64)
}

fn meshes(before: &Mesh, after: &Mesh) -> Difference {
    let mut distances = distances(before, after);
    distances.extend(self::distances(after, before));
    Difference::Surface {
        mean_m: distances.iter().sum::<f64>() / distances.len().max(1) as f64,
        greatest_m: distances.iter().copied().fold(0.0, f64::max),
        triangles: [before.triangles.len(), after.triangles.len()],
    }
}

/// From vertices and middles of faces of one mesh to the surface of the other.
fn distances(from: &Mesh, to: &Mesh) -> Vec<f64> {
    let tree = Bvh::new(to);
    let middles = from.triangles.iter().map(|corners| {
        let sum = corners
            .iter()
            .map(|corner| point(from.positions[*corner as usize]));
        sum.fold(point([0.0; 3]), |sum, corner| sum + corner) / 3.0
    });
    let points: Vec<_> = from
        .positions
        .iter()
        .map(|position| point(*position))
        .chain(middles)
        .collect();
    points
        .par_iter()
        .filter_map(|at| {
            tree.nearest(*at, f64::INFINITY)
                .map(|near| near.distance_squared.sqrt())
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pixels_are_counted_whole_and_the_greatest_channel_counts() {
        let before = Map::filled(10, 10, &[100, 100, 100], true);
        let mut after = before.clone();
        if let Samples::Eight(samples) = &mut after.data {
            samples[3] = 151; // one channel of the second pixel
            samples[30] = 90;
            samples[31] = 90; // two channels of one pixel
        }
        let found = measure(&pair(".png", &before.to_png().unwrap(), &after.to_png().unwrap()));
        assert_eq!(
            found,
            Difference::Pixels {
                changed_share: 0.02,
                greatest: 51.0 / 255.0
            }
        );
        let other = Map::filled(10, 11, &[1, 2, 3], true).to_png().unwrap();
        assert!(matches!(
            measure(&pair(".png", &before.to_png().unwrap(), &other)),
            Difference::Other(_)
        ));
    }

    #[test]
    fn a_shifted_square_is_as_far_as_it_was_shifted() {
        let square = |z: f64| format!("v 0 0 {z}\nv 1 0 {z}\nv 1 1 {z}\nv 0 1 {z}\nf 1 2 3\nf 1 3 4\n");
        let found = measure(&pair(".obj", square(0.0).as_bytes(), square(0.25).as_bytes()));
        let Difference::Surface {
            mean_m,
            greatest_m,
            triangles,
        } = found
        else {
            panic!("{found:?}")
        };
        assert!((mean_m - 0.25).abs() < 1e-9 && (greatest_m - 0.25).abs() < 1e-9);
        assert_eq!(triangles, [2, 2]);
    }
}
