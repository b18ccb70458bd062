//! `tag`: tags for faces by rule.

use glam::DVec3;

use super::{Context, OperationError, Produced};
use crate::Mesh;
use crate::mesh::{Bounds, UNTAGGED};
use crate::pattern::matches;
use crate::spatial::point;

/// What a face must be for the rule to catch it: all of it.
#[derive(Debug, Clone, PartialEq)]
struct Rule<'a> {
    /// Pattern over the name of the material.
    material: Option<&'a str>,
    /// Pattern over the names of groups and objects.
    group: Option<&'a str>,
    /// Of the face's middle, for each axis.
    least: [Option<f64>; 3],
    most: [Option<f64>; 3],
    facing: Option<Facing>,
    touches: Touches,
}

/// Which faces a rule may touch at all.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Touches {
    All,
    Untagged,
    Unknown,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Facing {
    /// A direction, or nothing for all directions along the ground.
    towards: Option<DVec3>,
    /// How far a face may turn away, degrees.
    within_degrees: f64,
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let input = context.mesh("mesh")?;
    let to = context
        .optional_text("to")?
        .ok_or_else(|| OperationError::SettingMissing {
            setting: "to".to_owned(),
        })?;
    let known = |tag: &str| tag == to || context.tags.iter().any(|color| color.name == tag);
    let rule = Rule::of(context, input)?;
    let caught: Vec<bool> = (0..input.triangles.len())
        .map(|face| rule.catches(input, face, &known))
        .collect();
    let count = caught.iter().filter(|caught| **caught).count();
    if count == 0 && !context.flag("may_miss")? {
        return Err(OperationError::Unsuitable(format!(
            "the rule for `{to}` catches none of the {} faces; {}; write `may_miss = true` if that is all right",
            input.triangles.len(),
            in_words(input)
        )));
    }
    let area = |chosen: &dyn Fn(usize) -> bool| -> f64 {
        (0..input.triangles.len())
            .filter(|face| chosen(*face))
            .map(|face| input.triangle_area(face))
            .sum()
    };
    let whole = area(&|_| true);
    let share = if whole > 0.0 {
        area(&|face| caught[face]) / whole
    } else {
        0.0
    };
    let mesh = retagged(input, &caught, to)?;
    let left = (0..mesh.triangles.len())
        .filter(|face| !mesh.tag_of(*face).is_some_and(known))
        .count();
    if left > 0 && context.flag("complete")? {
        return Err(OperationError::Unsuitable(format!(
            "{left} of {} faces still carry no tag of the manifest; {}; add a rule that catches them",
            mesh.triangles.len(),
            in_words(&mesh)
        )));
    }
    Ok(Produced::mesh(mesh)
        .with_figure("caught_faces", count as f64)
        .with_figure("caught_share_of_area", share)
        .with_figure("left_unknown_faces", left as f64))
}

impl<'a> Rule<'a> {
    fn of(context: &'a Context<'_>, mesh: &Mesh) -> Result<Self, OperationError> {
        let bounds = mesh.bounds().ok_or_else(|| {
            OperationError::Unsuitable("the mesh has no triangles, so there is nothing to tag".to_owned())
        })?;
        let shares = match context.optional_text("lengths")? {
            None | Some("metres") => false,
            Some("shares") => true,
            Some(other) => {
                return Err(OperationError::Unsuitable(format!(
                    "`lengths` cannot be `{other}`; write `metres` or `shares`"
                )));
            }
        };
        let limits = |end: &str| -> Result<[Option<f64>; 3], OperationError> {
            let mut limits = [None; 3];
            for (axis, name) in ["x", "y", "z"].into_iter().enumerate() {
                let written = context.optional_number(&format!("{name}_{end}"))?;
                limits[axis] = written.map(|limit| {
                    if shares {
                        share_in_metres(&bounds, axis, limit)
                    } else {
                        limit
                    }
                });
            }
            Ok(limits)
        };
        let touches = match context.optional_text("faces")? {
            None | Some("all") => Touches::All,
            Some("untagged") => Touches::Untagged,
            Some("unknown") => Touches::Unknown,
            Some(other) => {
                return Err(OperationError::Unsuitable(format!(
                    "`faces` cannot be `{other}`; write `all`, `untagged` or `unknown`"
                )));
            }
        };
        let facing = match context.optional_text("facing")? {
            None => None,
            Some(word) => Some(Facing {
                towards: direction(word)?,
                within_degrees: context.number("within")?,
            }),
        };
        Ok(Self {
            material: context.optional_text("material")?,
            group: context.optional_text("group")?,
            least: limits("least")?,
            most: limits("most")?,
            facing,
            touches,
        })
    }

    fn catches(&self, mesh: &Mesh, face: usize, known: &dyn Fn(&str) -> bool) -> bool {
        let tag = mesh.tag_of(face);
        let may = match self.touches {
            Touches::All => true,
            Touches::Untagged => tag.is_none(),
            Touches::Unknown => !tag.is_some_and(known),
        };
        if !may {
            return false;
        }
        if let Some(pattern) = self.material {
            let (pattern, tag) = (pattern.to_lowercase(), tag.unwrap_or_default().to_lowercase());
            if !matches(&pattern, &tag) {
                return false;
            }
        }
        if let Some(pattern) = self.group {
            let pattern = pattern.to_lowercase();
            let names = mesh
                .groups
                .as_ref()
                .map(|groups| groups.of(face))
                .unwrap_or_default();
            if !names.iter().any(|name| matches(&pattern, &name.to_lowercase())) {
                return false;
            }
        }
        let [a, b, c] = mesh.corners(face).map(point);
        let middle = ((a + b + c) / 3.0).to_array();
        let inside = (0..3).all(|axis| {
            self.least[axis].is_none_or(|least| middle[axis] >= least)
                && self.most[axis].is_none_or(|most| middle[axis] <= most)
        });
        inside
            && self
                .facing
                .is_none_or(|facing| facing.holds((b - a).cross(c - a)))
    }
}

impl Facing {
    /// A face without area faces nowhere.
    fn holds(&self, normal: DVec3) -> bool {
        let Some(normal) = normal.try_normalize() else {
            return false;
        };
        let turned = match self.towards {
            Some(towards) => libm::acos(normal.dot(towards).clamp(-1.0, 1.0)),
            None => libm::asin(normal.y.abs().min(1.0)),
        };
        turned.to_degrees() <= self.within_degrees
    }
}

fn direction(word: &str) -> Result<Option<DVec3>, OperationError> {
    Ok(Some(match word {
        "up" => DVec3::Y,
        "down" => -DVec3::Y,
        "right" => DVec3::X,
        "left" => -DVec3::X,
        "front" => DVec3::Z,
        "back" => -DVec3::Z,
        "sideways" => return Ok(None),
        other => {
            return Err(OperationError::Unsuitable(format!(
                "`facing` cannot be `{other}`; write `up`, `down`, `right`, `left`, `front`, `back` or `sideways`"
            )));
        }
    }))
}

fn share_in_metres(bounds: &Bounds, axis: usize, share: f64) -> f64 {
    let (least, most) = (f64::from(bounds.least[axis]), f64::from(bounds.most[axis]));
    least + share * (most - least)
}

/// The same mesh where the caught faces carry `to`; tags that no face carries any more are dropped.
fn retagged(mesh: &Mesh, caught: &[bool], to: &str) -> Result<Mesh, OperationError> {
    let mut names: Vec<String> = Vec::new();
    let mut face_tags = Vec::with_capacity(caught.len());
    let mut new_index: Vec<Option<u16>> = vec![None; mesh.tags.len()];
    let mut to_index: Option<u16> = None;
    for (face, caught) in caught.iter().enumerate() {
        let old = mesh.face_tags[face];
        let name = if *caught { Some(to) } else { mesh.tag_of(face) };
        let Some(name) = name else {
            face_tags.push(UNTAGGED);
            continue;
        };
        let slot = if *caught {
            &mut to_index
        } else {
            &mut new_index[usize::from(old)]
        };
        let index = match *slot {
            Some(index) => index,
            None => {
                let at = names.iter().position(|known| known == name).unwrap_or_else(|| {
                    names.push(name.to_owned());
                    names.len() - 1
                });
                let index = u16::try_from(at).ok().filter(|index| *index != UNTAGGED);
                let index = index.ok_or_else(|| {
                    OperationError::Unsuitable("the mesh has more tags than can be numbered".to_owned())
                })?;
                *slot = Some(index);
                index
            }
        };
        face_tags.push(index);
    }
    Ok(Mesh {
        face_tags,
        tags: names,
        ..mesh.clone()
    })
}

/// What the mesh has, so that a rule that misses can be mended.
fn in_words(mesh: &Mesh) -> String {
    let mut materials = match listed(mesh.tags.iter().map(String::as_str)) {
        None => "it has no material".to_owned(),
        Some(names) => format!("its materials are {names}"),
    };
    let groups = mesh
        .groups
        .as_ref()
        .map(|groups| groups.names())
        .unwrap_or_default();
    if let Some(names) = listed(groups.into_iter()) {
        materials.push_str(&format!(", its groups {names}"));
    }
    match mesh.bounds() {
        None => materials,
        Some(bounds) => {
            let sides: Vec<String> = ["x", "y", "z"]
                .into_iter()
                .enumerate()
                .map(|(axis, name)| format!("{name} {} to {}", bounds.least[axis], bounds.most[axis]))
                .collect();
            format!("{materials} and its box is {} m", sides.join(", "))
        }
    }
}

fn listed<'m>(names: impl Iterator<Item = &'m str>) -> Option<String> {
    const MOST_NAMES: usize = 12;
    let mut names: Vec<String> = names.map(|name| format!("`{name}`")).collect();
    let more = names.len().saturating_sub(MOST_NAMES);
    names.truncate(MOST_NAMES);
    if more > 0 {
        names.push(format!("{more} more"));
    }
    (!names.is_empty()).then(|| names.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::operations::testing::{Written, call};
    use crate::test_shapes::{cuboid, sphere, together};
    use crate::value::Value;
    use tidemill_ops::TagColor;

    fn with(mesh: &Mesh, settings: &[(&str, Written)]) -> Result<(Mesh, Produced), OperationError> {
        let tags = ["timber", "iron"].map(|name| TagColor {
            name: name.to_owned(),
            rgb: [0; 3],
        });
        let produced = run(&Context {
            call: &call("tag", settings),
            inputs: [("mesh", Value::Mesh(mesh.clone().into()))].into(),
            tags: &tags,
        })?;
        let Value::Mesh(mesh) = &produced.outputs[0].1 else {
            panic!("no mesh")
        };
        mesh.validate().unwrap();
        Ok((Mesh::clone(mesh), produced))
    }

    fn area_of(mesh: &Mesh, tag: &str) -> f64 {
        (0..mesh.triangles.len())
            .filter(|face| mesh.tag_of(*face) == Some(tag))
            .map(|face| mesh.triangle_area(face))
            .sum()
    }

    #[test]
    fn materials_are_found_by_pattern_in_any_case() {
        let parts = [
            cuboid([0.0; 3], [1.0; 3], "Metal_01"),
            cuboid([2.0, 0.0, 0.0], [3.0, 1.0, 1.0], "Planks"),
        ];
        let both = together(&parts);
        let (mesh, produced) = with(&both, &[("to", "iron".into()), ("material", "metal*".into())]).unwrap();
        assert_eq!((area_of(&mesh, "iron"), area_of(&mesh, "Planks")), (6.0, 6.0));
        assert_eq!(
            mesh.tags,
            ["iron", "Planks"],
            "a tag that no face carries is dropped"
        );
        assert_eq!(produced.figures["left_unknown_faces"], 12.0);
        assert_eq!(produced.figures["caught_share_of_area"], 0.5);
        let (mesh, produced) = with(
            &mesh,
            &[
                ("to", "timber".into()),
                ("faces", "unknown".into()),
                ("complete", true.into()),
            ],
        )
        .unwrap();
        assert_eq!((area_of(&mesh, "iron"), area_of(&mesh, "timber")), (6.0, 6.0));
        assert_eq!(produced.figures["left_unknown_faces"], 0.0);
    }

    #[test]
    fn a_cube_is_tagged_by_direction_height_and_box() {
        let cube = cuboid([0.0; 3], [1.0, 2.0, 1.0], "timber");
        for (facing, area) in [
            ("up", 1.0),
            ("down", 1.0),
            ("left", 2.0),
            ("front", 2.0),
            ("sideways", 8.0),
        ] {
            let (mesh, _) = with(
                &cube,
                &[
                    ("to", "iron".into()),
                    ("facing", facing.into()),
                    ("within", 30.0.into()),
                ],
            )
            .unwrap();
            assert!((area_of(&mesh, "iron") - area).abs() < 1e-9, "{facing}");
        }
        let (front, _) = with(
            &cube,
            &[
                ("to", "iron".into()),
                ("facing", "front".into()),
                ("within", 1.0.into()),
            ],
        )
        .unwrap();
        for face in (0..12).filter(|face| front.tag_of(*face) == Some("iron")) {
            assert!(front.corners(face).iter().all(|corner| corner[2] == 1.0));
        }
        let halves: [&[(&str, Written)]; 2] = [
            &[("to", "iron".into()), ("y_least", 1.9.into())],
            &[
                ("to", "iron".into()),
                ("lengths", "shares".into()),
                ("y_least", 0.95.into()),
            ],
        ];
        for settings in halves {
            let (mesh, _) = with(&cube, settings).unwrap();
            assert!((area_of(&mesh, "iron") - 1.0).abs() < 1e-9);
        }
    }

    /// Archimedes: the zone of a sphere between two heights has the area of the cylinder around it.
    #[test]
    fn a_zone_of_a_sphere_has_the_area_of_its_cylinder() {
        let ball = sphere([0.0; 3], 1.0, 5, "timber");
        let (mesh, produced) = with(
            &ball,
            &[
                ("to", "iron".into()),
                ("y_least", 0.25.into()),
                ("y_most", 0.75.into()),
            ],
        )
        .unwrap();
        let expected = 2.0 * std::f64::consts::PI * 0.5;
        assert!((area_of(&mesh, "iron") / expected - 1.0).abs() < 0.02);
        assert!((produced.figures["caught_share_of_area"] - 0.25).abs() < 0.005);
        // A cap of 60 degrees has a quarter of the area.
        let (_, produced) = with(
            &ball,
            &[
                ("to", "iron".into()),
                ("facing", "up".into()),
                ("within", 60.0.into()),
            ],
        )
        .unwrap();
        assert!((produced.figures["caught_share_of_area"] - 0.25).abs() < 0.01);
    }

    #[test]
    fn a_rule_that_catches_nothing_says_what_there_is() {
        let cube = cuboid([0.0; 3], [1.0; 3], "Metal");
        let refused = with(&cube, &[("to", "iron".into()), ("material", "wood".into())])
            .unwrap_err()
            .to_string();
        for part in ["catches none of the 12 faces", "`Metal`", "y 0 to 1", "may_miss"] {
            assert!(refused.contains(part), "{refused}");
        }
        let settings = [
            ("to", "iron".into()),
            ("material", "wood".into()),
            ("may_miss", true.into()),
        ];
        let (mesh, produced) = with(&cube, &settings).unwrap();
        assert_eq!(mesh, cube);
        assert_eq!(produced.figures["caught_faces"], 0.0);
        let settings = [
            ("to", "iron".into()),
            ("y_least", 1.0.into()),
            ("complete", true.into()),
        ];
        let refused = with(&cube, &settings).unwrap_err().to_string();
        assert!(refused.contains("10 of 12 faces"), "{refused}");
    }

    #[test]
    fn stars_stand_for_any_characters() {
        for (pattern, name, fits) in [
            ("", "", true),
            ("*", "", true),
            ("iron", "iron", true),
            ("iron", "irons", false),
            ("*iron*", "old iron 2", true),
            ("a*b*c", "a-b-b-c", true),
            ("a*b*c", "a-b-b", false),
            ("***", "x", true),
        ] {
            assert_eq!(matches(pattern, name), fits, "{pattern} {name}");
        }
    }

    #[test]
    fn a_rule_by_group_catches_faces_whatever_their_material() {
        let mut mesh = cuboid([0.0; 3], [1.0; 3], "timber");
        let mut groups = crate::groups::GroupTable::default();
        groups.add(10);
        groups.set(vec!["Crate".into(), "Lid_top".into()]);
        groups.add(2);
        mesh.groups = groups.finish();
        let rule = |pattern: &str| {
            with(
                &mesh,
                &[
                    ("to", "iron".into()),
                    ("group", pattern.into()),
                    ("faces", "all".into()),
                ],
            )
        };
        let (tagged, _) = rule("lid*").unwrap();
        assert_eq!(
            (tagged.tag_of(9), tagged.tag_of(10), tagged.tag_of(11)),
            (Some("timber"), Some("iron"), Some("iron"))
        );
        let error = rule("keel").unwrap_err().to_string();
        assert!(error.contains("its groups `Crate`, `Lid_top`"), "{error}");
    }
}
