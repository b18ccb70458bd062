"""Compares an ID map with the UV area of the faces that it was baked for.

Arguments: GAME.glb MAP.png TAG=#RRGGBB ... The map is decoded by Pillow, the UV layout is read by a small
reader of our own that uses only `numpy`, and rasterised here at texel centres, so no code of the project is involved.
Prints one JSON object: the colours in the map that are no tag's, and for each tag its share of the
covered texels beside its share of the UV area."""

import json
import os
import struct
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import numpy as np  # noqa: E402
from PIL import Image  # noqa: E402

TYPES = {5121: np.uint8, 5123: np.uint16, 5125: np.uint32, 5126: np.float32}
WIDTH = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4}


def read_glb(path):
    data = open(path, "rb").read()
    json_length = struct.unpack_from("<I", data, 12)[0]
    document = json.loads(data[20 : 20 + json_length])
    binary = data[20 + json_length + 8 :]

    def accessor(index):
        entry = document["accessors"][index]
        view = document["bufferViews"][entry["bufferView"]]
        start = view.get("byteOffset", 0) + entry.get("byteOffset", 0)
        width = WIDTH[entry["type"]]
        kind = np.dtype(TYPES[entry["componentType"]])
        stride = view.get("byteStride", width * kind.itemsize)
        rows = [
            np.frombuffer(binary, kind, width, start + row * stride) for row in range(entry["count"])
        ] if stride != width * kind.itemsize else np.frombuffer(
            binary, kind, width * entry["count"], start
        ).reshape(-1, width)
        return np.asarray(rows)

    for mesh in document["meshes"]:
        for primitive in mesh["primitives"]:
            name = document["materials"][primitive["material"]]["name"]
            uv = accessor(primitive["attributes"]["TEXCOORD_0"]).astype(np.float64)
            faces = accessor(primitive["indices"]).reshape(-1, 3).astype(np.int64)
            yield name, uv[faces]


def covered_texels(triangles, width, height, mask):
    """Marks the texels whose centre lies inside one of the triangles."""
    for corners in triangles:
        points = corners * (width, height)
        low = np.maximum(np.floor(points.min(axis=0) - 0.5).astype(int), 0)
        high = np.minimum(np.ceil(points.max(axis=0) + 0.5).astype(int), (width, height))
        if (high <= low).any():
            continue
        x, y = np.meshgrid(np.arange(low[0], high[0]) + 0.5, np.arange(low[1], high[1]) + 0.5)
        a, b, c = points
        area = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
        if area == 0:
            continue
        u = ((b[0] - x) * (c[1] - y) - (b[1] - y) * (c[0] - x)) / area
        v = ((c[0] - x) * (a[1] - y) - (c[1] - y) * (a[0] - x)) / area
        inside = (u >= 0) & (v >= 0) & (u + v <= 1)
        mask[low[1] : high[1], low[0] : high[0]] |= inside


def main():
    glb, png = sys.argv[1:3]
    tags = dict(argument.split("=", 1) for argument in sys.argv[3:])
    picture = np.asarray(Image.open(png).convert("RGB"))
    height, width = picture.shape[:2]
    codes = picture.astype(np.int64) @ (65536, 256, 1)
    colors = {name: int(text[1:], 16) for name, text in tags.items()}
    strangers = sorted(f"#{code:06X}" for code in set(np.unique(codes)) - set(colors.values()))

    areas = dict.fromkeys(tags, 0.0)
    covered = np.zeros((height, width), bool)
    for name, triangles in read_glb(glb):
        edge_1 = triangles[:, 1] - triangles[:, 0]
        edge_2 = triangles[:, 2] - triangles[:, 0]
        areas[name] = areas.get(name, 0.0) + float(
            np.abs(edge_1[:, 0] * edge_2[:, 1] - edge_1[:, 1] * edge_2[:, 0]).sum() / 2
        )
        covered_texels(triangles, width, height, covered)
    total = sum(areas.values())
    texels = int(covered.sum())
    print(
        json.dumps(
            {
                "strangers": strangers,
                "covered": texels / (width * height),
                "shares": {
                    name: {
                        "faces": areas.get(name, 0.0) / total,
                        "map": float((codes[covered] == color).sum()) / texels,
                    }
                    for name, color in colors.items()
                },
            }
        )
    )


main()
