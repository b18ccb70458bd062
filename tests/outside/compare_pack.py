"""Compares what maps show through new UVs with what the old maps showed through the old ones, and counts texels that two faces cover.

Arguments: KIND NEW.glb NEW.png OLD.glb OLD.png OLD.glb OLD.png ..., where the meshes of NEW.glb are those of the old files in their
order. KIND is `value`, `direction` or `id`. One JSON object. Pictures are read by Pillow (PyPI) and sampled with `numpy`."""

import json
import os
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import numpy as np  # noqa: E402
from PIL import Image  # noqa: E402

import glb  # noqa: E402


def picture(path):
    pixels = np.asarray(Image.open(path)).astype(np.float64)
    return pixels if pixels.ndim == 3 else pixels[:, :, None]


def nearest(pixels, uv):
    height, width, _ = pixels.shape
    x = np.floor(uv[:, 0] * width).astype(int) % width
    y = np.floor(uv[:, 1] * height).astype(int) % height
    return pixels[y, x]


def mixed(pixels, uv):
    height, width, _ = pixels.shape
    at = uv * (width, height) - 0.5
    low = np.floor(at).astype(int)
    share = at - low
    total = 0
    for step_x in (0, 1):
        for step_y in (0, 1):
            weight = np.abs(1 - step_x - share[:, 0]) * np.abs(1 - step_y - share[:, 1])
            total += weight[:, None] * pixels[(low[:, 1] + step_y) % height, (low[:, 0] + step_x) % width]
    return total


def colours(pixels):
    return {tuple(colour) for colour in np.unique(pixels.reshape(-1, pixels.shape[2]), axis=0)}


kind, new_mesh, new_map = sys.argv[1:4]
olds = list(zip(sys.argv[4::2], sys.argv[5::2]))
new = glb.read(new_mesh)
new_pixels = picture(new_map)
size = new_pixels.shape[0]
count, _, _ = glb.rasterise(new["TEXCOORD_0"], size)
sample = nearest if kind == "id" else mixed
random = np.random.default_rng(7)
first = 0
before, after, densities = [], [], []
same_shape = True
old_colours = set()
for mesh_path, map_path in olds:
    old = glb.read(mesh_path)
    faces = len(old["POSITION"])
    part = {name: array[first : first + faces] for name, array in new.items()}
    first += faces
    same_shape &= bool(np.allclose(old["POSITION"], part["POSITION"])) and bool((old["material"] == part["material"]).all())
    a, b, c = part["POSITION"].transpose(1, 0, 2)
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    s, t, r = part["TEXCOORD_0"].transpose(1, 0, 2)
    in_map = np.abs((t - s)[:, 0] * (r - s)[:, 1] - (t - s)[:, 1] * (r - s)[:, 0]) / 2
    densities.append(float(np.sqrt(in_map.sum() / area.sum()) * size))
    chosen = random.choice(faces, 20000, p=area / area.sum())
    weights = random.dirichlet((1, 1, 1), 20000)
    uv = lambda mesh: np.einsum("fkx,fk->fx", mesh["TEXCOORD_0"][chosen], weights)  # noqa: E731
    old_pixels = picture(map_path)
    old_colours |= colours(old_pixels)
    before.append(sample(old_pixels, uv(old)))
    after.append(sample(new_pixels, uv(part)))
before, after = np.concatenate(before), np.concatenate(after)
unmatched = random.permutation(len(before))


def apart(one, other):
    if kind == "id":
        return float((one != other).any(axis=1).mean())
    if kind == "value":
        return float(np.abs(one - other).mean() / 255)
    one, other = (2 * array / 255 - 1 for array in (one, other))
    one, other = (array / np.linalg.norm(array, axis=1)[:, None] for array in (one, other))
    return float(np.degrees(np.arccos(np.clip((one * other).sum(axis=1), -1, 1))).mean())


print(
    json.dumps(
        {
            "faces_left": int(len(new["POSITION"]) - first),
            "same_shape": same_shape,
            "overlapping_texels": int((count > 1).sum()),
            "covered": float((count > 0).mean()),
            "outside": int(((new["TEXCOORD_0"] < 0) | (new["TEXCOORD_0"] > 1)).sum()),
            "densities": densities,
            "apart": apart(before, after),
            "apart_unmatched": apart(before, after[unmatched]),
            "new_colours": len(colours(new_pixels) - old_colours),
        }
    )
)
