//! Files that must be read, however odd they are, and what the chain makes of them.

use serde_json::json;

use super::Odd;
use super::Outcome::{Asset, Stops};
use super::encode::{Bytes, Carries, Gltf, gltf, obj, obj_from_the_end, ply};
use super::shapes::{
    BOLLARD_TRIANGLES, Shape, bollard, crossing_tube, cuboid, moebius, sheet, slivers, star_prism, trough,
};

const NOTHING_INSIDE: &str = "encloses nothing";

pub fn table() -> Vec<Odd> {
    written_oddly()
        .into_iter()
        .chain(shaped_oddly())
        .chain(other_formats())
        .collect()
}

fn written_oddly() -> Vec<Odd> {
    let whole = obj(&bollard());
    let odd = |name, text: String| Odd::new(name, ".obj", text, Asset(BOLLARD_TRIANGLES));
    let comment = format!("# {}\n", "rope ".repeat(1_000_000));
    let spaced = whole.replace(' ', "\t   ");
    let mut latin = whole.replace("usemtl iron", "usemtl iron-at").into_bytes();
    let at = latin
        .windows(7)
        .position(|seven| seven == b"iron-at")
        .expect("the tag");
    latin[at + 5] = 0xE9;
    let continued: String = whole
        .lines()
        .map(|line| format!("{}\n", line.replace(' ', " \\\n")))
        .collect();
    let all_parts: String = "vt 0.5 0.5\nvn 0 0 0\n".to_owned()
        + &whole
            .lines()
            .map(|line| match line.strip_prefix("f ") {
                None => format!("{line}\n"),
                Some(corners) => format!(
                    "f {}\n",
                    corners
                        .split(' ')
                        .map(|corner| format!("{corner}/1/1"))
                        .collect::<Vec<_>>()
                        .join(" ")
                ),
            })
            .collect::<String>();
    vec![
        odd("obj plain", whole.clone()),
        odd("obj with CRLF", whole.replace('\n', "\r\n")),
        odd("obj counted from the end", obj_from_the_end(&bollard())),
        odd("obj without its MTL", format!("mtllib lost.mtl\n{whole}")),
        odd("obj with a line of 5 MB", comment + &whole),
        odd("obj with tabs and wide gaps", spaced),
        odd("obj with lines that go on", continued),
        odd("obj without a last line end", whole.trim_end().to_owned()),
        odd("obj with a byte order mark", format!("\u{feff}{whole}")),
        odd("obj with normals of no length and one UV", all_parts),
        odd(
            "obj with unknown statements",
            format!("cstype bezier\ncurv 0 1 1 2\n\u{1F6A2} ship\n{whole}"),
        ),
        odd(
            "obj with a thousand unused vertices",
            "v 900 900 900\n".repeat(1000) + &obj_from_the_end(&bollard()),
        ),
        Odd::new(
            "obj with a tag in another encoding",
            ".obj",
            latin,
            Asset(BOLLARD_TRIANGLES),
        ),
        Odd::new("obj in capitals", ".OBJ", whole, Asset(BOLLARD_TRIANGLES)),
        Odd::new(
            "obj with concave polygons",
            ".obj",
            obj(&star_prism()),
            Asset(10 * 2 + 2 * 8),
        ),
    ]
}

fn shaped_oddly() -> Vec<Odd> {
    let odd = |name, shape: &Shape, outcome| Odd::new(name, ".obj", obj(shape), outcome);
    let block = || cuboid([0.0; 3], [1.0, 0.6, 0.6], "timber");
    let shifted = |by: f64| block().moved(|[x, y, z]| [x + by, y + by * 0.5, z]);
    let three_at_an_edge = {
        let mut shape = block();
        shape.places.push([-0.5, 0.3, -0.5]);
        shape.face([0, 2, 8], "iron");
        shape
    };
    let repeated = {
        let mut shape = block();
        shape.face([0, 0, 1], "timber");
        shape.face([5, 5, 5], "timber");
        shape
    };
    let twice = {
        let mut shape = block();
        let (faces, tags) = (shape.faces.clone(), shape.tags.clone());
        shape.faces.extend(faces);
        shape.tags.extend(tags);
        shape
    };
    let half_turned = {
        let mut shape = block();
        shape.faces.iter_mut().step_by(3).for_each(|face| face.reverse());
        shape
    };
    // A corner of one side lies on the edge of its neighbours, which do not know it.
    let t_junction = {
        let mut shape = block();
        shape.places.push([0.5, 0.0, 0.0]);
        let side = shape
            .faces
            .iter()
            .position(|face| face.contains(&0) && face.contains(&1))
            .expect("a side");
        let first = shape.faces[side]
            .iter()
            .position(|&corner| corner == 0)
            .expect("a corner");
        let after = shape.faces[side][(first + 1) % 4];
        let place = if after == 1 { first + 1 } else { first };
        shape.faces[side].insert(place, 8);
        shape
    };
    let two_at_a_corner = block().with(block().moved(|[x, y, z]| [x + 1.0, y + 0.6, z + 0.6]));
    let many = (0..60).fold(Shape::default(), |all, number| {
        let low = f64::from(number) * 0.05;
        all.with(cuboid([low, 0.0, 0.0], [low + 0.12, 0.5, 0.4], "timber"))
    });
    vec![
        odd("open trough", &trough(), Asset(10)),
        odd("moebius strip", &moebius(), Asset(80)),
        odd("flat sheet", &sheet(20), Stops(800, "remesh", NOTHING_INSIDE)),
        odd(
            "one triangle",
            &Shape {
                places: vec![[0.0; 3], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
                faces: vec![vec![0, 1, 2]],
                tags: vec!["iron"],
            },
            Stops(1, "remesh", NOTHING_INSIDE),
        ),
        odd(
            "all in one point",
            &block().scaled(0.0),
            Stops(12, "remesh", NOTHING_INSIDE),
        ),
        odd(
            "all on one line",
            &block().moved(|[x, ..]| [x, x, x]),
            Stops(12, "remesh", NOTHING_INSIDE),
        ),
        odd(
            "overlapping shells",
            &block().with(shifted(0.3)).with(bollard()),
            Asset(12 + 12 + BOLLARD_TRIANGLES),
        ),
        odd("sixty overlapping planks", &many, Asset(60 * 12)),
        odd(
            "touching sides",
            &block().with(block().moved(|[x, y, z]| [x + 1.0, y, z])),
            Asset(24),
        ),
        odd("touching in one corner", &two_at_a_corner, Asset(24)),
        odd(
            "shell in a shell",
            &block().with(block().moved(|place| place.map(|c| 0.2 + 0.5 * c))),
            Asset(24),
        ),
        odd(
            "cavity",
            &block().with(block().moved(|place| place.map(|c| 0.2 + 0.3 * c)).inside_out()),
            Asset(24),
        ),
        odd("inside out", &bollard().inside_out(), Asset(BOLLARD_TRIANGLES)),
        odd("some faces turned", &half_turned, Asset(12)),
        odd("tube through itself", &crossing_tube(), Asset(48 * 8 * 2)),
        odd("three faces at an edge", &three_at_an_edge, Asset(13)),
        odd("every face twice", &twice, Asset(24)),
        odd("faces of one vertex", &repeated, Asset(14)),
        odd("a corner on its neighbour's edge", &t_junction, Asset(13)),
        odd(
            "duplicate vertices",
            &bollard().as_soup(),
            Asset(BOLLARD_TRIANGLES),
        ),
        odd("slivers", &slivers(), Asset(18)),
        odd(
            "1e-9 of its size",
            &bollard().scaled(1.0e-9),
            Asset(BOLLARD_TRIANGLES),
        ),
        odd(
            "1e-3 of its size",
            &bollard().scaled(1.0e-3),
            Asset(BOLLARD_TRIANGLES),
        ),
        odd(
            "1e+6 times its size",
            &bollard().scaled(1.0e6),
            Asset(BOLLARD_TRIANGLES),
        ),
        odd(
            "1e+30 times its size",
            &bollard().scaled(1.0e30),
            Stops(BOLLARD_TRIANGLES, "bake", "no sound tangents"),
        ),
        odd(
            "a kilometre from the origin",
            &bollard().moved(|[x, y, z]| [x + 1000.0, y - 1000.0, z + 1000.0]),
            Asset(BOLLARD_TRIANGLES),
        ),
        odd(
            "a needle",
            &cuboid([0.0; 3], [1.0, 0.001, 0.001], "iron"),
            Stops(12, "remesh", "thinner than a voxel everywhere"),
        ),
    ]
}

fn other_formats() -> Vec<Odd> {
    let part = || gltf(&bollard());
    let odd = |name, document: Gltf| Odd::new(name, ".glb", document.glb(), Asset(BOLLARD_TRIANGLES));
    let mut files = vec![
        odd("glb plain", part()),
        odd("glb mirrored", part().add("/nodes/0", "scale", json!([-1, 1, 1]))),
        odd(
            "glb uneven scale",
            part().add("/nodes/0", "scale", json!([1, 3, 0.5])),
        ),
        odd(
            "glb picture without a name",
            part().add("", "images", json!([{ "uri": "" }])),
        ),
        odd("glb without a scene", {
            let mut document = part();
            let members = document.json.as_object_mut().expect("an object");
            members.remove("scene");
            members.remove("scenes");
            document
        }),
        odd(
            "glb that may use what is not understood",
            part().add("", "extensionsUsed", json!(["EXT_dock_ropes"])),
        ),
        Odd::new(
            "glb flattened by its node",
            ".glb",
            part().add("/nodes/0", "scale", json!([1, 0, 1])).glb(),
            Stops(BOLLARD_TRIANGLES, "remesh", NOTHING_INSIDE),
        ),
        Odd::new(
            "glb with an unknown chunk behind",
            ".glb",
            {
                let mut file = part().glb();
                file.extend([4, 0, 0, 0, b'R', b'O', b'P', b'E', 1, 2, 3, 4]);
                let length = file.len() as u32;
                file[8..12].copy_from_slice(&length.to_le_bytes());
                file
            },
            Asset(BOLLARD_TRIANGLES),
        ),
        Odd::new(
            "glb with bytes behind its end",
            ".glb",
            {
                let mut file = part().glb();
                file.extend(b"what an editor left");
                file
            },
            Asset(BOLLARD_TRIANGLES),
        ),
        Odd::new(
            "gltf with a buffer beside",
            ".gltf",
            part().beside("my%20prop.bin").text(),
            Asset(BOLLARD_TRIANGLES),
        )
        .beside("my prop.bin", part().buffer),
        Odd::new(
            "gltf with a longer buffer",
            ".gltf",
            part().beside("prop.bin").text(),
            Asset(BOLLARD_TRIANGLES),
        )
        .beside("prop.bin", [part().buffer, vec![7; 999]].concat()),
        odd("gltf with sparse positions that change nothing", {
            let mut document = part();
            let begin = document.buffer.len();
            let first: Vec<u8> = document.buffer[..12].to_vec();
            document.buffer.extend([0, 0, 0, 0]);
            document.buffer.extend(first);
            let length = document.buffer.len();
            let views = document.json["bufferViews"].as_array_mut().expect("views");
            let number = views.len();
            views.push(json!({ "buffer": 0, "byteOffset": begin, "byteLength": 2 }));
            views.push(json!({ "buffer": 0, "byteOffset": begin + 4, "byteLength": 12 }));
            let places = json!({ "count": 1, "indices": { "bufferView": number, "componentType": 5123 }, "values": { "bufferView": number + 1 } });
            document
                .set("/buffers/0/byteLength", json!(length))
                .add("/accessors/0", "sparse", places)
        }),
    ];
    for (name, bytes, carries) in [
        ("ply text", Bytes::Text, Carries::Tag),
        ("ply little", Bytes::Little, Carries::Tag),
        ("ply big", Bytes::Big, Carries::Tag),
        ("ply text with colours", Bytes::Text, Carries::Colour),
        ("ply little with colours", Bytes::Little, Carries::Colour),
        ("ply big with colours", Bytes::Big, Carries::Colour),
    ] {
        files.push(Odd::new(
            name,
            ".ply",
            ply(&bollard(), bytes, carries),
            Asset(BOLLARD_TRIANGLES),
        ));
    }
    let crlf = String::from_utf8(ply(&bollard(), Bytes::Text, Carries::Tag))
        .expect("text")
        .replace('\n', "\r\n");
    files.push(Odd::new("ply with CRLF", ".ply", crlf, Asset(BOLLARD_TRIANGLES)));
    files
}
