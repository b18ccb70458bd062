//! How fast the operations are beside other people's programs, both run in one go, on one thread and on two:
//! `TIDEMILL_OUTSIDE=target/outside cargo run --release -p tidemill-mesh --example geometry_speed [MODEL.obj] [simplify|rays|remesh|bake|pictures …]`.
//!
//! The references are PyPI `fast-simplification`, `xatlas` and `embreex` (`tests/outside/geometry_speed.py`; `tests/run` installs
//! them). Without a model, one of 70,000 triangles is made. A ratio is the reference's time over ours: 1 is as fast.

#[path = "geometry_speed/model.rs"]
mod model;

use std::collections::BTreeMap;
use std::hint::black_box;
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

use glam::DVec3;
use rayon::prelude::*;
use tidemill_mesh::Mesh;
use tidemill_mesh::operations::bake::{Baking, Kind, Scalar, bake};
use tidemill_mesh::operations::simplify::{Goal, simplify};
use tidemill_mesh::operations::unwrap::{Unwrapping, unwrap};
use tidemill_mesh::operations::{self, Context};
use tidemill_mesh::picture::{Skin, ViewSettings, turntable};
use tidemill_mesh::read::{ModelFile, Placement, read_mesh};
use tidemill_mesh::spatial::Bvh;
use tidemill_mesh::value::Value;
use tidemill_ops::{Call, Setting, TagColor};

type Failure = Box<dyn std::error::Error + Send + Sync>;

/// Both sides run in turn, so that a slow minute of the machine meets both.
const ROUNDS: usize = 3;
/// Of each work in each round.
const REPEATS: usize = 3;
const MAP: Unwrapping = Unwrapping::plain(1024, 4);
const RAYS: usize = 1_000_000;
const VOXELS: f64 = 256.0;

fn main() -> Result<(), Failure> {
    let mut model = None;
    let mut wanted: Vec<String> = Vec::new();
    for argument in std::env::args().skip(1) {
        if argument.ends_with(".obj") {
            model = Some(argument);
        } else {
            wanted.push(argument);
        }
    }
    let mesh = match &model {
        None => model::coil_of_rope(),
        Some(path) => read(path)?,
    };
    let wants = |name: &str| wanted.is_empty() || wanted.iter().any(|wanted| wanted == name);
    if wanted == ["remesh-alone"] {
        return remesh_alone(&mesh);
    }
    println!("{} triangles", mesh.triangles.len());
    let low = simplify(&mesh, Goal::Ratio(0.1))?.mesh;
    for threads in [1, 2] {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
        pool.install(|| -> Result<(), Failure> {
            if wants("simplify") || wants("rays") {
                beside_references(&mesh, &low, threads, wants("simplify"), wants("rays"))?;
            }
            if wants("bake") {
                bake_all(&mesh, threads)?;
            }
            if wants("pictures") {
                pictures(&mesh, threads);
            }
            Ok(())
        })?;
    }
    if wants("remesh") {
        // In a process of its own, whose peak of memory is that of nothing else.
        let mut command = Command::new(std::env::current_exe()?);
        command
            .args(&model)
            .arg("remesh-alone")
            .env("RAYON_NUM_THREADS", "2");
        command.status()?;
    }
    Ok(())
}

fn read(path: &str) -> Result<Mesh, Failure> {
    let bytes = std::fs::read(path)?;
    let file = ModelFile {
        bytes: &bytes,
        extension: ".obj",
        companions: &BTreeMap::new(),
    };
    Ok(read_mesh(&file, Placement::default())?.welded())
}

/// Milliseconds of the best of several runs.
fn best<T>(work: impl Fn() -> T) -> f64 {
    let times = (0..REPEATS).map(|_| {
        let begin = Instant::now();
        black_box(work());
        begin.elapsed().as_secs_f64() * 1000.0
    });
    times.fold(f64::INFINITY, f64::min)
}

fn beside_references(
    mesh: &Mesh,
    low: &Mesh,
    threads: usize,
    reduces: bool,
    casts: bool,
) -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    let save = |name: &str, mesh: &Mesh| -> Result<(), Failure> {
        let numbers: Vec<u8> = mesh
            .positions
            .iter()
            .flatten()
            .flat_map(|number| number.to_le_bytes())
            .collect();
        let indices: Vec<u8> = mesh
            .triangles
            .iter()
            .flatten()
            .flat_map(|index| index.to_le_bytes())
            .collect();
        std::fs::write(folder.path().join(format!("{name}.f32")), numbers)?;
        std::fs::write(folder.path().join(format!("{name}.u32")), indices)?;
        Ok(())
    };
    save("high", mesh)?;
    if reduces {
        save("low", low)?;
    }
    let rays = rays_at(mesh);
    if casts {
        let numbers = rays.iter().flatten().flat_map(|point| point.as_vec3().to_array());
        std::fs::write(
            folder.path().join("rays.f32"),
            numbers.flat_map(f32::to_le_bytes).collect::<Vec<u8>>(),
        )?;
    }
    let bvh = Bvh::new(mesh);
    let hit = |ray: &[DVec3; 2]| {
        bvh.first_hit(ray[0], ray[1], 0.0, f64::INFINITY, |_| true)
            .is_some()
    };
    let count_hits = || {
        rays.par_chunks(1024)
            .map(|rays| rays.iter().filter(|ray| hit(ray)).count())
            .sum::<usize>()
    };
    let mut ours = BTreeMap::new();
    let mut theirs = BTreeMap::new();
    for _ in 0..ROUNDS {
        let told = reference(folder.path(), threads, low.triangles.len())?;
        let mut round = Vec::new();
        if reduces {
            round.push(("simplify", best(|| simplify(mesh, Goal::Ratio(0.1)).is_ok())));
            round.push(("unwrap", best(|| unwrap(low, &MAP).is_ok())));
        }
        if casts {
            round.push(("rays", best(count_hits)));
            let (ours, theirs) = (count_hits(), &told["hits"]);
            println!("rays that hit: ours {ours}, reference {theirs}");
        }
        for (what, our_ms) in round {
            let their_ms = told[format!("{what}_ms").as_str()].as_f64().unwrap_or(f64::NAN);
            keep_least(&mut ours, what, our_ms);
            keep_least(&mut theirs, what, their_ms);
        }
    }
    for (what, our_ms) in ours {
        let their_ms = theirs.get(what).copied().unwrap_or(f64::NAN);
        let ratio = their_ms / our_ms;
        let bar = if what == "rays" { 0.5 } else { 0.8 };
        let verdict = if ratio >= bar { "" } else { "  MISSED" };
        println!(
            "{what} on {threads}: ours {our_ms:.1} ms, reference {their_ms:.1} ms, ratio {ratio:.2} (bar {bar}){verdict}"
        );
    }
    Ok(())
}

fn keep_least(kept: &mut BTreeMap<&'static str, f64>, what: &'static str, ms: f64) {
    kept.entry(what)
        .and_modify(|least| *least = least.min(ms))
        .or_insert(ms);
}

/// From a sphere around the mesh towards places in its box.
fn rays_at(mesh: &Mesh) -> Vec<[DVec3; 2]> {
    let Some(bounds) = mesh.bounds() else {
        return Vec::new();
    };
    let [middle, size] = [bounds.center(), bounds.size()].map(|three| glam::Vec3::from(three).as_dvec3());
    let mut state = 1_u64;
    let mut random = move || {
        // Knuth's linear generator of 64 bits (from memory); the high bits are good enough for directions.
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (state >> 40) as f64 / (1_u64 << 24) as f64 - 0.5
    };
    let mut three = move || DVec3::new(random(), random(), random());
    (0..RAYS)
        .map(|_| {
            let origin = (middle + three().normalize_or(DVec3::Y) * f64::from(bounds.diagonal()))
                .as_vec3()
                .as_dvec3();
            let aim = middle + three() * size;
            [origin, (aim - origin).normalize_or(DVec3::Y).as_vec3().as_dvec3()]
        })
        .collect()
}

fn reference(folder: &Path, threads: usize, count: usize) -> Result<serde_json::Value, Failure> {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/outside/geometry_speed.py");
    let output = Command::new("python3")
        .arg(script)
        .arg(folder)
        .args(
            [
                threads,
                REPEATS,
                count,
                MAP.size_px as usize,
                MAP.padding_px as usize,
            ]
            .map(|number| number.to_string()),
        )
        .output()?;
    if !output.status.success() {
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        return Err(format!(
            "the reference side failed; set TIDEMILL_OUTSIDE to the folder that tests/run fills\n{error}"
        )
        .into());
    }
    Ok(serde_json::from_slice(&output.stdout)?)
}

fn remesh(mesh: &Mesh) -> Result<Mesh, Failure> {
    let longest = mesh
        .bounds()
        .map_or(0.0, |bounds| bounds.size().into_iter().fold(0.0, f32::max));
    let call = Call {
        op: "remesh".to_owned(),
        version: 1,
        settings: BTreeMap::from([("voxel".to_owned(), Setting::Number(f64::from(longest) / VOXELS))]),
        inputs: BTreeMap::new(),
        outputs: BTreeMap::new(),
    };
    let inputs = BTreeMap::from([("mesh", Value::Mesh(Arc::new(mesh.clone())))]);
    let operation = operations::find("remesh").ok_or("no remesh")?;
    let produced = operation(&Context {
        call: &call,
        inputs,
        tags: &[],
    })?;
    match produced.outputs.into_iter().next() {
        Some((_, Value::Mesh(mesh))) => Ok(Arc::unwrap_or_clone(mesh)),
        _ => Err("remesh gave no mesh".into()),
    }
}

fn remesh_alone(mesh: &Mesh) -> Result<(), Failure> {
    let begin = Instant::now();
    let made = remesh(mesh)?;
    let seconds = begin.elapsed().as_secs_f64();
    // Linux says the peak here; elsewhere it stays unknown.
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status
        .lines()
        .find_map(|line| line.strip_prefix("VmHWM:"))
        .map_or("unknown", str::trim);
    println!(
        "remesh at {VOXELS} voxels: {seconds:.2} s (bar 6), peak {peak} (bar 614400 kB), {} triangles",
        made.triangles.len()
    );
    Ok(())
}

fn bake_all(mesh: &Mesh, threads: usize) -> Result<(), Failure> {
    let low = unwrap(&simplify(mesh, Goal::Triangles(4000))?.mesh, &MAP)?.mesh;
    let tags: Vec<TagColor> = mesh
        .tags
        .iter()
        .map(|name| TagColor {
            name: name.clone(),
            rgb: [0, 114, 178],
        })
        .collect();
    let mut maps = vec![Kind::Normal, Kind::Position, Kind::Packed];
    maps.extend(
        [
            Scalar::Curvature,
            Scalar::Occlusion,
            Scalar::Height,
            Scalar::Thickness,
        ]
        .map(Kind::Scalar),
    );
    if !tags.is_empty() {
        maps.push(Kind::TagId);
    }
    let baking = Baking {
        maps,
        size: 2048,
        samples: 4,
        packed: [
            Some(Scalar::Occlusion.into()),
            Some(Scalar::Curvature.into()),
            Some(Scalar::Height.into()),
            None,
        ],
        tags: &tags,
        ..Baking::default()
    };
    let begin = Instant::now();
    let baked = bake(mesh, &low, &baking)?;
    println!(
        "bake of {} maps at 2048 with 4x4 samples on {threads}: {:.1} s",
        baked.maps.len(),
        begin.elapsed().as_secs_f64()
    );
    Ok(())
}

/// A strip as reports show it.
fn pictures(mesh: &Mesh, threads: usize) {
    const VIEWS: u32 = 8;
    let strip_ms = best(|| {
        turntable(
            mesh,
            &[],
            Skin::default(),
            ViewSettings::three_quarter(224),
            VIEWS,
        )
    });
    println!("strip of {VIEWS} pictures of 224 on {threads}: {strip_ms:.0} ms");
}
