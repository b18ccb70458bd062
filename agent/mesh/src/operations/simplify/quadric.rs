//! Sums of squared distances to planes.

use glam::DVec3;

/// `x A x + 2 b x + c`, and the weight of the planes that it sums.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Quadric {
    xx: f64,
    xy: f64,
    xz: f64,
    yy: f64,
    yz: f64,
    zz: f64,
    b: DVec3,
    c: f64,
    pub weight: f64,
}

impl Quadric {
    /// Squared distance to the plane through `at` with unit `normal`.
    pub fn plane(normal: DVec3, at: DVec3, weight: f64) -> Self {
        let offset = -normal.dot(at);
        let n = normal * weight;
        Self {
            xx: n.x * normal.x,
            xy: n.x * normal.y,
            xz: n.x * normal.z,
            yy: n.y * normal.y,
            yz: n.y * normal.z,
            zz: n.z * normal.z,
            b: n * offset,
            c: weight * offset * offset,
            weight,
        }
    }

    pub fn add(&mut self, other: &Self) {
        self.xx += other.xx;
        self.xy += other.xy;
        self.xz += other.xz;
        self.yy += other.yy;
        self.yz += other.yz;
        self.zz += other.zz;
        self.b += other.b;
        self.c += other.c;
        self.weight += other.weight;
    }

    fn times(&self, v: DVec3) -> DVec3 {
        DVec3::new(
            self.xx * v.x + self.xy * v.y + self.xz * v.z,
            self.xy * v.x + self.yy * v.y + self.yz * v.z,
            self.xz * v.x + self.yz * v.y + self.zz * v.z,
        )
    }

    /// Weighted sum of squared distances at `v`; rounding below zero is cut off.
    pub fn at(&self, v: DVec3) -> f64 {
        (v.dot(self.times(v)) + 2.0 * self.b.dot(v) + self.c).max(0.0)
    }

    /// The least place, pulled lightly towards `near`, so that it is single where the planes leave it open.
    pub fn least_near(&self, near: DVec3) -> DVec3 {
        let pull = 1.0e-5 * (self.xx + self.yy + self.zz);
        if pull <= 0.0 {
            return near;
        }
        let (xx, yy, zz) = (self.xx + pull, self.yy + pull, self.zz + pull);
        let right = -(self.b + self.times(near));
        // Cramer's rule; the pull keeps the determinant away from zero.
        let (m00, m01, m02) = (
            yy * zz - self.yz * self.yz,
            self.xz * self.yz - self.xy * zz,
            self.xy * self.yz - self.xz * yy,
        );
        let (m11, m12, m22) = (
            xx * zz - self.xz * self.xz,
            self.xy * self.xz - xx * self.yz,
            xx * yy - self.xy * self.xy,
        );
        let determinant = xx * m00 + self.xy * m01 + self.xz * m02;
        if determinant <= 0.0 {
            return near;
        }
        let solved = DVec3::new(
            m00 * right.x + m01 * right.y + m02 * right.z,
            m01 * right.x + m11 * right.y + m12 * right.z,
            m02 * right.x + m12 * right.y + m22 * right.z,
        );
        near + solved * (1.0 / determinant)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_planes_have_their_corner_as_least_place() {
        let corner = DVec3::new(0.3, -0.2, 0.7);
        let mut sum = Quadric::default();
        for (normal, weight) in [(DVec3::X, 1.0), (DVec3::Y, 2.0), (DVec3::new(0.6, 0.0, 0.8), 3.0)] {
            sum.add(&Quadric::plane(normal, corner, weight));
        }
        assert!((sum.least_near(DVec3::ZERO) - corner).length() < 1e-3);
        assert!(sum.at(corner) < 1e-15);
        assert!((sum.at(corner + DVec3::Y) - 2.0).abs() < 1e-12);
        assert_eq!(sum.weight, 6.0);
    }

    #[test]
    fn one_plane_leaves_the_place_beside_it() {
        let plane = Quadric::plane(DVec3::Z, DVec3::ZERO, 1.0);
        let least = plane.least_near(DVec3::new(0.5, 0.25, 1.0));
        assert!((least - DVec3::new(0.5, 0.25, 0.0)).length() < 1e-4);
    }
}
