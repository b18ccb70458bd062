//! `simplify`: fewer triangles by collapsing edges, cheapest first.
//!
//! Source: Garland & Heckbert, Surface Simplification Using Quadric Error Metrics, 1997 (from memory).
//!
//! - `quadric`: squared distances to planes, summed.
//! - `surface`: triangles that can be merged away.
//! - `reduce`: which edges may collapse, where to, and in which order.
//! - `folds`: how much is folded where that was given up.
//! - `crossing`: keeps faces of a coarse surface from passing through each other.
//! - `tunnel`: cuts and caps narrow tunnels.
//! - `pressure`: what gives way when a budget is out of reach otherwise.
//! - `seams`: UVs through a collapse.
//! - `stray`: the error that was reached.

mod crossing;
mod folds;
mod pressure;
mod quadric;
mod reduce;
mod seams;
mod stray;
mod surface;
mod tunnel;

pub use pressure::Pressure;

use std::sync::Arc;

use super::{Context, OperationError, Produced};
use crate::Mesh;
use reduce::{Until, reduce};
pub(crate) use stray::farthest_between;

/// The error is measured after a reduction, and the next one is told to stop earlier, this many times at most.
const ERROR_TRIES: usize = 8;

/// How far to reduce.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Goal {
    /// At most this many triangles.
    Triangles(usize),
    /// At most this share of the triangles, 0..=1.
    Ratio(f64),
    /// As few triangles as it goes while [`Simplified::error_m`] stays within this, metres.
    Error(f64),
}

/// A reduced mesh and how far it strayed.
#[derive(Debug, Clone)]
pub struct Simplified {
    /// The reduced mesh, with UVs where the input has them; without normals, which belong to vertices that are gone.
    pub mesh: Mesh,
    /// Greatest distance of an input vertex from the reduced surface, metres.
    pub error_m: f64,
    /// What had to give way.
    pub pressure: Pressure,
}

impl Simplified {
    /// The share of the area that is folded: whose faces do not have the inside behind and the outside before them. Told only where faces
    /// were let pass through each other, of a closed surface that is coarse.
    pub fn folded(&self) -> Option<f64> {
        let is_asked = self.pressure.crosses()
            && self.mesh.triangles.len() <= folds::MOST_FACES
            && self.mesh.is_closed();
        is_asked.then(|| folds::share(&self.mesh))
    }
}

pub(super) fn run(context: &Context<'_>) -> Result<Produced, OperationError> {
    let mesh = input(context)?;
    let simplified = simplify(&mesh, goal(context)?)?;
    let triangles = simplified.mesh.triangles.len() as f64;
    let folded = simplified.folded();
    let mut produced = Produced::mesh(simplified.mesh)
        .with_figure("triangles", triangles)
        .with_figure("error_m", simplified.error_m)
        .with_figure("pressure", f64::from(simplified.pressure as u8));
    if let Some(folded) = folded {
        produced = produced.with_figure("folded", folded);
    }
    Ok(produced)
}

/// The mesh to reduce, without UVs if the call says so.
pub(super) fn input(context: &Context<'_>) -> Result<Arc<Mesh>, OperationError> {
    let mesh = context.mesh("mesh")?;
    match context.optional_text("uvs")? {
        None | Some("keep") => Ok(mesh.clone()),
        Some("drop") => Ok(Arc::new(Mesh {
            uvs: None,
            ..Mesh::clone(mesh)
        })),
        Some(word) => Err(OperationError::Unsuitable(format!(
            "`uvs` is `{word}`; write `keep` or `drop`"
        ))),
    }
}

fn goal(context: &Context<'_>) -> Result<Goal, OperationError> {
    let triangles = context.optional_number("triangles")?;
    let ratio = context.optional_number("ratio")?;
    let error = context.optional_number("error")?;
    match (triangles, ratio, error) {
        (Some(_), None, None) => {
            let budget = context.whole("triangles")?;
            Ok(Goal::Triangles(usize::try_from(budget).unwrap_or(usize::MAX)))
        }
        (None, Some(ratio), None) => Ok(Goal::Ratio(ratio)),
        (None, None, Some(error)) => Ok(Goal::Error(error)),
        (None, None, None) => Err(OperationError::Unsuitable(
            "nothing says how far to reduce; write one of `triangles = …`, `ratio = …` and `error = …`"
                .to_owned(),
        )),
        _ => Err(OperationError::Unsuitable(
            "`triangles`, `ratio` and `error` are three ways to say how far to reduce; write exactly one of them"
                .to_owned(),
        )),
    }
}

/// Reduces a sound mesh towards the goal.
///
/// Borders between tags, seams of UVs and open borders keep their course, closed stays closed, tunnels stay open. Where a number of
/// triangles is out of reach like that, it gives way in the stages of [`Pressure`]; if it stays out of reach, that is an
/// error, and never a mesh over its budget. An error bound is kept without giving way.
pub fn simplify(mesh: &Mesh, goal: Goal) -> Result<Simplified, OperationError> {
    if mesh.triangles.is_empty() {
        return Err(OperationError::Unsuitable(
            "the mesh has no triangles, so there is nothing to reduce".to_owned(),
        ));
    }
    let plain = Mesh {
        normals: None,
        ..mesh.clone()
    };
    match goal {
        Goal::Triangles(budget) => to_budget(plain, budget),
        Goal::Ratio(ratio) => {
            let budget = (plain.triangles.len() as f64 * ratio).floor() as usize;
            to_budget(plain, budget)
        }
        Goal::Error(most_m) => Ok(to_error(plain, most_m)),
    }
}

fn unchanged(mesh: Mesh) -> Simplified {
    Simplified {
        mesh,
        error_m: 0.0,
        pressure: Pressure::Kept,
    }
}

fn to_budget(mesh: Mesh, budget: usize) -> Result<Simplified, OperationError> {
    if mesh.triangles.len() <= budget {
        return Ok(unchanged(mesh));
    }
    let welded = mesh.welded();
    let until = Until {
        triangles: budget,
        stray_m: f64::INFINITY,
    };
    let mut fewest = None;
    for pressure in Pressure::ALL {
        let reduced = reduce(&welded, until, pressure);
        if !stays_closed(&welded, &reduced.mesh, pressure) {
            continue;
        }
        let triangles = reduced.mesh.triangles.len();
        if triangles <= budget {
            return Ok(Simplified {
                error_m: stray::farthest(&welded, &reduced),
                mesh: reduced.mesh,
                pressure,
            });
        }
        fewest = Some(fewest.map_or(triangles, |fewest: usize| fewest.min(triangles)));
    }
    let fewest = fewest.unwrap_or(welded.triangles.len());
    Err(OperationError::Unsuitable(format!(
        "the fewest triangles that keep the surface whole are {fewest}, over the budget of {budget}; \
         raise the budget to {fewest}, or remesh with a larger voxel before, which closes gaps and merges parts"
    )))
}

/// Caps stand close together, and two vertices at one place would open the surface for whoever reads the file.
fn stays_closed(input: &Mesh, reduced: &Mesh, pressure: Pressure) -> bool {
    !pressure.closes_tunnels() || !input.is_closed() || reduced.clone().welded().is_closed()
}

fn to_error(mesh: Mesh, most_m: f64) -> Simplified {
    let welded = mesh.clone().welded();
    let mut stray_m = most_m;
    for _ in 0..ERROR_TRIES {
        let until = Until {
            triangles: 0,
            stray_m,
        };
        let reduced = reduce(&welded, until, Pressure::Kept);
        let error_m = stray::farthest(&welded, &reduced);
        if error_m <= most_m {
            return Simplified {
                mesh: reduced.mesh,
                error_m,
                pressure: Pressure::Kept,
            };
        }
        stray_m *= 0.9 * most_m / error_m;
    }
    unchanged(mesh)
}

#[cfg(test)]
mod tests;
