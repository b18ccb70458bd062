"""Compares UVs with those that PyPI `xatlas` makes for the same mesh, and counts texels that two faces cover.

Arguments: SIZE PADDING FILE.glb ... One JSON object a file. Overlaps are counted with a rasteriser of our own in `numpy`."""

import json
import os
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import numpy as np  # noqa: E402
import xatlas  # noqa: E402

import glb  # noqa: E402

size, padding = int(sys.argv[1]), int(sys.argv[2])
for path in sys.argv[3:]:
    mesh = glb.read(path)
    corners, uv = mesh["POSITION"], mesh["TEXCOORD_0"]
    count, _, _ = glb.rasterise(uv, 2 * size)
    vertices, faces = np.unique(corners.reshape(-1, 3), axis=0, return_inverse=True)
    atlas = xatlas.Atlas()
    atlas.add_mesh(vertices.astype(np.float32), faces.reshape(-1, 3).astype(np.uint32))
    options = xatlas.PackOptions()
    options.padding = padding
    options.resolution = size
    atlas.generate(pack_options=options)
    _, indices, other = atlas[0]
    # An atlas need not be square; stretch is measured in texels, coverage of the square that holds it.
    other = other[indices] * (atlas.width, atlas.height) / max(atlas.width, atlas.height)
    mine, covered = glb.stretch(corners, uv)
    theirs, _ = glb.stretch(corners, other)
    print(
        json.dumps(
            {
                "file": path,
                "overlapping_texels": int((count > 1).sum()),
                "outside": int(((uv < 0) | (uv > 1)).sum()),
                "stretch": mine,
                "stretch_xatlas": theirs,
                "coverage": covered,
                "coverage_xatlas": float(
                    glb.stretch(corners, other)[1] * max(atlas.width, atlas.height) ** 2 / (atlas.width * atlas.height)
                ),
                "coverage_xatlas_square": float(glb.stretch(corners, other)[1]),
                "pages_xatlas": atlas.atlas_count,
            }
        )
    )
