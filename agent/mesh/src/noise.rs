//! Gradient noise: zero on the lattice, within -1..=1, the same for the same seed on every machine.
//!
//! Source: Perlin, Improving Noise, 2002: quintic fade, twelve edge directions chosen by a permutation. Only additions
//! and multiplications, so every machine rounds alike.

use glam::DVec3;

/// What one octave of fractal noise is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// Gradient noise as it is.
    Smooth,
    /// Sharp crests where gradient noise is zero.
    Ridges,
    /// Sharp valleys there, round lumps between.
    Lumps,
    /// A bump around each of points strewn one a cell.
    Cells,
}

/// Noise over space.
#[derive(Debug, Clone)]
pub struct Noise {
    permutation: [u8; 256],
}

impl Noise {
    /// A permutation of its own for each seed.
    pub fn new(seed: u64) -> Self {
        let mut permutation: [u8; 256] = std::array::from_fn(|index| index as u8);
        let mut state = seed;
        for last in (1..256_usize).rev() {
            // The bias of the remainder is below 2^-55.
            let other = (next_random(&mut state) % (last as u64 + 1)) as usize;
            permutation.swap(last, other);
        }
        Self { permutation }
    }

    /// The permutation that Perlin published, for comparison with published values.
    pub fn published() -> Self {
        Self {
            permutation: PUBLISHED,
        }
    }

    /// One octave at a point, in lattice cells.
    pub fn at(&self, point: DVec3) -> f64 {
        let cell = [point.x.floor(), point.y.floor(), point.z.floor()];
        let [x, y, z] = [point.x - cell[0], point.y - cell[1], point.z - cell[2]];
        // The lattice repeats every 256 cells.
        let [cx, cy, cz] = cell.map(|coordinate| (coordinate as i64 & 255) as usize);
        let [u, v, w] = [fade(x), fade(y), fade(z)];
        let hash = |index: usize| usize::from(self.permutation[index & 255]);
        let a = hash(cx) + cy;
        let (aa, ab) = (hash(a) + cz, hash(a + 1) + cz);
        let b = hash(cx + 1) + cy;
        let (ba, bb) = (hash(b) + cz, hash(b + 1) + cz);
        let layer = |step: usize, z: f64| {
            let near = mix(
                u,
                slope(hash(aa + step), x, y, z),
                slope(hash(ba + step), x - 1.0, y, z),
            );
            let far = mix(
                u,
                slope(hash(ab + step), x, y - 1.0, z),
                slope(hash(bb + step), x - 1.0, y - 1.0, z),
            );
            mix(v, near, far)
        };
        mix(w, layer(0, z), layer(1, z - 1.0)).clamp(-1.0, 1.0)
    }

    /// Nearness of the nearest of points that are strewn one in each cell, in lattice cells: 1 at a point, -1 from a whole
    /// cell away. Source: Worley, A Cellular Texture Basis Function, 1996 (its first distance).
    pub fn cells_at(&self, point: DVec3) -> f64 {
        let home = point.floor();
        let mut least = f64::INFINITY;
        for step in 0..27 {
            let offset = DVec3::new(
                f64::from(step % 3 - 1),
                f64::from(step / 3 % 3 - 1),
                f64::from(step / 9 - 1),
            );
            let cell = home + offset;
            least = least.min((cell + self.place_in(cell)).distance_squared(point));
        }
        1.0 - 2.0 * least.sqrt().min(1.0)
    }

    /// Where in a cell its point lies, each coordinate within 0..1.
    fn place_in(&self, cell: DVec3) -> DVec3 {
        let hash = |index: usize| usize::from(self.permutation[index & 255]);
        let [x, y, z] = cell
            .to_array()
            .map(|coordinate| (coordinate as i64 & 255) as usize);
        let first = hash(hash(hash(x) + y) + z);
        let second = hash(first + 1);
        let third = hash(second + 1);
        DVec3::new(first as f64, second as f64, third as f64) / 256.0
    }

    /// One octave of a basis, within -1..=1.
    fn octave(&self, basis: Basis, point: DVec3) -> f64 {
        match basis {
            Basis::Smooth => self.at(point),
            Basis::Ridges => 1.0 - 2.0 * self.at(point).abs(),
            Basis::Lumps => 2.0 * self.at(point).abs() - 1.0,
            Basis::Cells => self.cells_at(point),
        }
    }

    /// Octaves of twice the frequency and half the amplitude each, scaled to stay within -1..=1.
    pub fn fractal(&self, basis: Basis, point: DVec3, octaves: u32) -> f64 {
        let mut sum = 0.0;
        let mut most = 0.0;
        let mut amplitude = 1.0;
        let mut scaled = point;
        for octave in 0..octaves {
            // The shift keeps the zeros of the octaves' lattices apart.
            let shift = f64::from(octave) * 17.371;
            sum += amplitude * self.octave(basis, scaled + DVec3::splat(shift));
            most += amplitude;
            amplitude *= 0.5;
            scaled *= 2.0;
        }
        if most > 0.0 { sum / most } else { 0.0 }
    }
}

/// SplitMix64 (Steele, Lea & Flood 2014; constants from memory).
fn next_random(state: &mut u64) -> u64 {
    *state = state.wrapping_add(0x9E37_79B9_7F4A_7C15);
    let mut mixed = *state;
    mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    mixed ^ (mixed >> 31)
}

fn fade(t: f64) -> f64 {
    t * t * t * (t * (t * 6.0 - 15.0) + 10.0)
}

fn mix(share: f64, from: f64, to: f64) -> f64 {
    from + share * (to - from)
}

/// Dot product with one of the directions to the middles of a cube's edges.
fn slope(hash: usize, x: f64, y: f64, z: f64) -> f64 {
    match hash & 15 {
        0 => x + y,
        1 => -x + y,
        2 => x - y,
        3 => -x - y,
        4 => x + z,
        5 => -x + z,
        6 => x - z,
        7 => -x - z,
        8 => y + z,
        9 => -y + z,
        10 => y - z,
        11 => -y - z,
        // Twelve directions do not fill sixteen places; Perlin repeats these four.
        12 => x + y,
        13 => -y + z,
        14 => -x + y,
        _ => -y - z,
    }
}

/// Source: the table in Perlin's reference implementation of 2002.
const PUBLISHED: [u8; 256] = [
    151, 160, 137, 91, 90, 15, 131, 13, 201, 95, 96, 53, 194, 233, 7, 225, 140, 36, 103, 30, 69, 142, 8, 99,
    37, 240, 21, 10, 23, 190, 6, 148, 247, 120, 234, 75, 0, 26, 197, 62, 94, 252, 219, 203, 117, 35, 11, 32,
    57, 177, 33, 88, 237, 149, 56, 87, 174, 20, 125, 136, 171, 168, 68, 175, 74, 165, 71, 134, 139, 48, 27,
    166, 77, 146, 158, 231, 83, 111, 229, 122, 60, 211, 133, 230, 220, 105, 92, 41, 55, 46, 245, 40, 244,
    102, 143, 54, 65, 25, 63, 161, 1, 216, 80, 73, 209, 76, 132, 187, 208, 89, 18, 169, 200, 196, 135, 130,
    116, 188, 159, 86, 164, 100, 109, 198, 173, 186, 3, 64, 52, 217, 226, 250, 124, 123, 5, 202, 38, 147,
    118, 126, 255, 82, 85, 212, 207, 206, 59, 227, 47, 16, 58, 17, 182, 189, 28, 42, 223, 183, 170, 213, 119,
    248, 152, 2, 44, 154, 163, 70, 221, 153, 101, 155, 167, 43, 172, 9, 129, 22, 39, 253, 19, 98, 108, 110,
    79, 113, 224, 232, 178, 185, 112, 104, 218, 246, 97, 228, 251, 34, 242, 193, 238, 210, 144, 12, 191, 179,
    162, 241, 81, 51, 145, 235, 249, 14, 239, 107, 49, 192, 214, 31, 181, 199, 106, 157, 184, 84, 204, 176,
    115, 121, 50, 45, 127, 4, 150, 254, 138, 236, 205, 93, 222, 114, 67, 29, 24, 72, 243, 141, 128, 195, 78,
    66, 215, 61, 156, 180,
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_published_value_comes_out() {
        // Source: Perlin's page on improved noise.
        let noise = Noise::published();
        let place = [314.0 / 100.0, 42.0, 7.0];
        assert!((noise.at(DVec3::from_array(place)) - 0.136_919_958_784_000_12).abs() < 1e-15);
    }

    #[test]
    fn the_table_is_a_permutation() {
        for noise in [Noise::published(), Noise::new(0), Noise::new(7)] {
            let mut sorted = noise.permutation;
            sorted.sort_unstable();
            assert!(
                sorted
                    .iter()
                    .enumerate()
                    .all(|(index, &value)| index == usize::from(value))
            );
        }
    }

    #[test]
    fn noise_is_zero_on_the_lattice_bounded_and_has_no_mean() {
        let noise = Noise::new(11);
        let mut state = 5;
        let mut random = || (next_random(&mut state) >> 11) as f64 / (1_u64 << 53) as f64 * 200.0 - 100.0;
        let (mut sum, mut least, mut most) = (0.0, 0.0_f64, 0.0_f64);
        for _ in 0..50_000 {
            let point = DVec3::new(random(), random(), random());
            assert_eq!(noise.at(point.floor()), 0.0);
            let value = noise.at(point);
            sum += value;
            least = least.min(value);
            most = most.max(value);
            assert!(noise.fractal(Basis::Smooth, point, 5).abs() <= 1.0);
        }
        assert!((sum / 50_000.0_f64).abs() < 0.01);
        assert!(least < -0.7 && most > 0.7 && least >= -1.0 && most <= 1.0);
    }

    #[test]
    fn seeds_differ_and_one_seed_never_does() {
        let point = DVec3::new(0.3, 1.7, -2.2);
        assert_ne!(
            Noise::new(1).fractal(Basis::Smooth, point, 4),
            Noise::new(2).fractal(Basis::Smooth, point, 4)
        );
        // Held from the first release on: models of seed 11 keep their look.
        assert_eq!(Noise::new(11).at(point), Noise::new(11).at(point));
    }

    #[test]
    fn cells_know_the_nearest_of_all_points_around() {
        let noise = Noise::new(5);
        for step in 0..500 {
            let point = DVec3::new(
                f64::from(step) * 0.37 - 40.0,
                f64::from(step) * 0.23,
                f64::from(step % 17) * 0.61,
            );
            let home = point.floor();
            let around = (0..343).map(|cell| {
                let offset = DVec3::new(
                    f64::from(cell % 7 - 3),
                    f64::from(cell / 7 % 7 - 3),
                    f64::from(cell / 49 - 3),
                );
                (home + offset + noise.place_in(home + offset)).distance(point)
            });
            let expected = 1.0 - 2.0 * around.fold(f64::INFINITY, f64::min).min(1.0);
            assert!((noise.cells_at(point) - expected).abs() < 1e-12);
        }
    }
}
