"""A small reader of GLB files that uses only `numpy`, and what UV layouts are rasterised with: no code of the project."""

import json
import struct

import numpy as np

TYPES = {5121: np.uint8, 5123: np.uint16, 5125: np.uint32, 5126: np.float32}
WIDTH = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}


def read(path):
    """One array a name: corners of all faces (face, corner, …) and the material's name of each face."""
    data = open(path, "rb").read()
    json_length = struct.unpack_from("<I", data, 12)[0]
    document = json.loads(data[20 : 20 + json_length])
    binary = data[20 + json_length + 8 :]

    def accessor(index):
        entry = document["accessors"][index]
        view = document["bufferViews"][entry["bufferView"]]
        start = view.get("byteOffset", 0) + entry.get("byteOffset", 0)
        width = WIDTH[entry["type"]]
        assert "byteStride" not in view, "the writer makes no interleaved views"
        kind = np.dtype(TYPES[entry["componentType"]])
        return np.frombuffer(binary, kind, width * entry["count"], start).reshape(-1, width)

    parts = {}
    for mesh in document["meshes"]:
        for primitive in mesh["primitives"]:
            faces = accessor(primitive["indices"]).reshape(-1, 3).astype(np.int64)
            for name, index in primitive["attributes"].items():
                parts.setdefault(name, []).append(accessor(index).astype(np.float64)[faces])
            name = document["materials"][primitive["material"]]["name"]
            parts.setdefault("material", []).append(np.full(len(faces), name, object))
    return {name: np.concatenate(arrays) for name, arrays in parts.items()}


def rasterise(uv, size):
    """For each texel how many faces have its centre strictly inside, the last of them, and its barycentric weights."""
    count = np.zeros((size, size), int)
    face = np.full((size, size), -1)
    weights = np.zeros((size, size, 3))
    for index, corners in enumerate(uv * size):
        low = np.maximum(np.floor(corners.min(axis=0) - 0.5).astype(int), 0)
        high = np.minimum(np.ceil(corners.max(axis=0) + 0.5).astype(int), size)
        if (high <= low).any():
            continue
        x, y = np.meshgrid(np.arange(low[0], high[0]) + 0.5, np.arange(low[1], high[1]) + 0.5)
        a, b, c = corners
        area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        if area == 0:
            continue
        u = ((b[0] - x) * (c[1] - y) - (b[1] - y) * (c[0] - x)) / area
        v = ((c[0] - x) * (a[1] - y) - (c[1] - y) * (a[0] - x)) / area
        w = 1 - u - v
        inside = (u > 1e-9) & (v > 1e-9) & (w > 1e-9)
        place = (slice(low[1], high[1]), slice(low[0], high[0]))
        count[place] += inside
        face[place][inside] = index
        weights[place][inside] = np.stack([u, v, w], axis=-1)[inside]
    return count, face, weights


def stretch(positions, uv):
    """Root mean square stretch after Sander et al. 2001, scaled so that 1 is perfect, and the covered share of the square."""
    a, b, c = positions.transpose(1, 0, 2)
    s, t, r = uv.transpose(1, 0, 2)
    cross = lambda p, q: p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]  # noqa: E731
    twice = cross(t - s, r - s)
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2
    sound = (twice != 0) & (area > 0)
    a, b, c, s, t, r = (array[sound] for array in (a, b, c, s, t, r))
    twice, area = twice[sound], area[sound]
    by_u = (a * (t - r)[:, 1:] + b * (r - s)[:, 1:] + c * (s - t)[:, 1:]) / twice[:, None]
    by_v = (a * (r - t)[:, :1] + b * (s - r)[:, :1] + c * (t - s)[:, :1]) / twice[:, None]
    squared = ((by_u**2).sum(axis=1) + (by_v**2).sum(axis=1)) / 2
    covered = np.abs(twice).sum() / 2
    return float(np.sqrt((squared * area).sum() / area.sum() * covered / area.sum())), float(covered)
