//! From a file's units and up axis to metres and +Y up.

use super::ReadError;
use crate::Mesh;
use crate::mesh::Bounds;

/// What OBJ and PLY files leave unsaid.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Placement {
    /// Of their coordinates.
    pub units: Units,
    /// Which of their axes points up.
    pub up: UpAxis,
}

/// Length units.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Units {
    /// `mm`
    Millimetres,
    /// `cm`
    Centimetres,
    /// `m`
    #[default]
    Metres,
    /// `in`
    Inches,
    /// `ft`
    Feet,
}

/// Up axes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum UpAxis {
    /// `y`
    #[default]
    Y,
    /// `z`
    Z,
}

impl Units {
    /// From the manifest's word; empty means metres.
    pub fn parse(word: &str) -> Result<Self, ReadError> {
        match word {
            "" | "m" => Ok(Self::Metres),
            "mm" => Ok(Self::Millimetres),
            "cm" => Ok(Self::Centimetres),
            "in" => Ok(Self::Inches),
            "ft" => Ok(Self::Feet),
            _ => Err(ReadError::UnknownUnits {
                units: word.to_owned(),
            }),
        }
    }

    /// Metres in one unit. The inch is exactly 25.4 mm since 1959 and the foot twelve inches (from memory).
    pub fn in_metres(self) -> f64 {
        match self {
            Self::Millimetres => 0.001,
            Self::Centimetres => 0.01,
            Self::Metres => 1.0,
            Self::Inches => 0.0254,
            Self::Feet => 0.3048,
        }
    }
}

impl UpAxis {
    /// From the manifest's word; empty means y.
    pub fn parse(word: &str) -> Result<Self, ReadError> {
        match word {
            "" | "y" => Ok(Self::Y),
            "z" => Ok(Self::Z),
            _ => Err(ReadError::UnknownUp { up: word.to_owned() }),
        }
    }

    /// Turns a direction so that up is +Y; z up turns by a quarter about x, which keeps the handedness.
    fn turn(self, [x, y, z]: [f32; 3]) -> [f32; 3] {
        match self {
            Self::Y => [x, y, z],
            Self::Z => [x, z, -y],
        }
    }
}

impl Placement {
    /// From the manifest's words.
    pub fn parse(units: &str, up: &str) -> Result<Self, ReadError> {
        Ok(Self {
            units: Units::parse(units)?,
            up: UpAxis::parse(up)?,
        })
    }

    /// A point of the file in metres and +Y up.
    pub fn point(self, point: [f32; 3]) -> [f32; 3] {
        let metres = self.units.in_metres();
        // In double precision, so that 1000 mm are exactly 1 m.
        self.up
            .turn(point.map(|coordinate| (f64::from(coordinate) * metres) as f32))
    }

    /// A box of the file in metres and +Y up.
    pub fn bounds(self, bounds: Bounds) -> Bounds {
        let ends = [self.point(bounds.least), self.point(bounds.most)];
        Bounds::of(ends).unwrap_or(bounds)
    }

    pub(super) fn apply(self, mesh: &mut Mesh) {
        if self == Self::default() {
            return;
        }
        mesh.positions
            .iter_mut()
            .for_each(|position| *position = self.point(*position));
        if let Some(normals) = &mut mesh.normals {
            normals
                .iter_mut()
                .flatten()
                .for_each(|normal| *normal = self.up.turn(*normal));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_and_up_axis_are_applied() {
        let placement = Placement::parse("mm", "z").expect("known words");
        assert_eq!(placement.point([1000.0, 2000.0, 3000.0]), [1.0, 3.0, -2.0]);
        let inches = Placement::parse("in", "y").expect("known words");
        assert_eq!(inches.point([1.0, 0.0, 100.0]), [0.0254, 0.0, 2.54]);
    }

    #[test]
    fn unknown_words_are_named() {
        let error = Placement::parse("yard", "y")
            .expect_err("no such unit")
            .to_string();
        assert!(
            error.contains("`yard`") && error.contains("mm, cm, m, in or ft"),
            "{error}"
        );
        assert!(Placement::parse("m", "x").is_err());
    }
}
