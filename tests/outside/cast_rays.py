"""Checks baked maps with an independent ray caster: PyPI `embreex` under `trimesh`.

Arguments: HIGH.glb LOW.glb FOLDER CAGE DISTANCE TAG=#RRGGBB ... FOLDER holds tag-id.png, and position.png, occlusion.png,
normal.png of 16 bits, baked with one sample a texel. Places on the low mesh, smooth normals, projection and occlusion rays
are all made here with `numpy`. Prints one JSON object of the differences."""

import json
import os
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import numpy as np  # noqa: E402
import png  # noqa: E402
import trimesh  # noqa: E402
from trimesh.ray.ray_pyembree import RayMeshIntersector  # noqa: E402

import glb  # noqa: E402

TEXELS = 1200
RAYS = 2048


def picture(path):
    width, height, rows, info = png.Reader(path).read()
    return np.array([np.array(row) for row in rows]).reshape(height, width, info["planes"])


def unit(vectors):
    return vectors / np.maximum(np.linalg.norm(vectors, axis=-1, keepdims=True), 1e-300)


def smooth_normals(corners):
    """Normals at corners, each face weighted by its angle, equal positions as one."""
    _, vertex = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    vertex = vertex.reshape(-1, 3)
    sums = np.zeros((vertex.max() + 1, 3))
    face = unit(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))
    for corner in range(3):
        b = unit(corners[:, (corner + 1) % 3] - corners[:, corner])
        c = unit(corners[:, (corner + 2) % 3] - corners[:, corner])
        angle = np.arccos(np.clip((b * c).sum(axis=1), -1, 1))
        np.add.at(sums, vertex[:, corner], face * angle[:, None])
    return unit(sums)[vertex]


def blend(corners, weights):
    return (corners * weights[..., None]).sum(axis=1)


def main():
    high_path, low_path, folder, cage, distance = sys.argv[1:6]
    cage, distance = float(cage), float(distance)
    tags = dict(argument.split("=", 1) for argument in sys.argv[6:])
    high, low = glb.read(high_path), glb.read(low_path)
    corners = high["POSITION"]
    mesh = trimesh.Trimesh(corners.reshape(-1, 3), np.arange(corners.size // 3).reshape(-1, 3), process=False)
    caster = RayMeshIntersector(mesh)
    normals = unit(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]))

    maps = {name: picture(f"{folder}/{name}.png") for name in ("tag-id", "position", "occlusion", "normal")}
    size = len(maps["tag-id"])
    _, faces, weights = glb.rasterise(low["TEXCOORD_0"], size)
    row, column = np.nonzero(faces >= 0)
    chosen = np.linspace(0, len(row) - 1, TEXELS).astype(int)
    row, column = row[chosen], column[chosen]
    face, weight = faces[row, column], weights[row, column]
    places = blend(low["POSITION"][face], weight)
    outwards = unit(blend(smooth_normals(low["POSITION"])[face], weight))

    # All that the line through the cage meets; of what faces outwards the nearest to the low surface.
    met, ray, where = caster.intersects_id(
        places - outwards * cage, outwards, multiple_hits=True, return_locations=True
    )
    height = ((where - places[ray]) * outwards[ray]).sum(axis=1)
    good = ((normals[met] * outwards[ray]).sum(axis=1) > 0) & (np.abs(height) <= cage)
    met, ray, where, height = met[good], ray[good], where[good], height[good]
    order = np.lexsort((np.abs(height), ray))
    ray, first = np.unique(ray[order], return_index=True)
    met, where = met[order][first], where[order][first]
    row, column, face, weight = row[ray], column[ray], face[ray], weight[ray]

    expected = np.array([int(tags[name][1:], 16) for name in high["material"][met]])
    found = maps["tag-id"][row, column].astype(np.int64) @ (65536, 256, 1)

    low_corner, high_corner = corners.reshape(-1, 3).min(axis=0), corners.reshape(-1, 3).max(axis=0)
    shown = low_corner + (high_corner - low_corner) * maps["position"][row, column] / 65535
    apart = np.linalg.norm(shown - where, axis=1)

    # The frame as the file has it, taken apart as MikkTSpace says.
    normal = blend(low["NORMAL"][face], weight)
    tangent = blend(low["TANGENT"][face][..., :3], weight)
    bitangent = np.cross(normal, tangent) * low["TANGENT"][face][:, 0, 3:]
    coded = maps["normal"][row, column] / 65535 * 2 - 1
    decoded = unit(coded[:, :1] * tangent + coded[:, 1:2] * bitangent + coded[:, 2:] * normal)
    share = trimesh.triangles.points_to_barycentric(corners[met], where)
    wanted = unit(blend(high["NORMAL"][met], share))
    turned = np.degrees(np.arccos(np.clip((decoded * wanted).sum(axis=1), -1, 1)))

    lift = 1e-4 * float(np.linalg.norm(high_corner - low_corner))
    random = np.random.default_rng(7)
    opens = np.empty(len(met))
    for index in range(len(met)):
        up = normals[met[index]]
        across = unit(np.cross(up, (1, 0, 0) if abs(up[0]) < 0.7 else (0, 1, 0)))
        along = np.cross(up, across)
        radius = np.sqrt((np.arange(RAYS) + random.random(RAYS)) / RAYS)
        angle = 2 * np.pi * random.random(RAYS)
        directions = (
            (radius * np.cos(angle))[:, None] * across
            + (radius * np.sin(angle))[:, None] * along
            + np.sqrt(1 - radius**2)[:, None] * up
        )
        origins = np.broadcast_to(where[index] + up * lift, directions.shape)
        hits = caster.intersects_first(origins, directions)
        struck = hits >= 0
        # The caster has no limit, so that the distance to the plane of the face is worked out here.
        corner = corners[hits[struck], 0]
        plane = normals[hits[struck]]
        far = ((corner - origins[struck]) * plane).sum(axis=1) / (directions[struck] * plane).sum(axis=1)
        opens[index] = 1 - np.count_nonzero(far <= distance) / RAYS
    differences = np.abs(opens - maps["occlusion"][row, column, 0] / 65535)
    print(
        json.dumps(
            {
                "texels": TEXELS,
                "met": len(met),
                "ids_equal": float((found == expected).mean()),
                "position_apart_median_m": float(np.median(apart)),
                "position_apart_within_1mm": float((apart < 1e-3).mean()),
                "normal_turned_median_degrees": float(np.median(turned)),
                "normal_within_1_degree": float((turned < 1).mean()),
                "occlusion_mean": float(opens.mean()),
                "occlusion_mean_difference": float(differences.mean()),
                "occlusion_most_difference": float(differences.max()),
            }
        )
    )


main()
