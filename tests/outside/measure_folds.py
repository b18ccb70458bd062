"""How much of the area of closed meshes is folded, by the winding numbers of PyPI `libigl`.

Arguments: MESH.obj ... One JSON object for each: `folded`, the share of the area whose faces have not the outside (0) just before and the
inside (1) just behind them. Places lie a hundred-thousandth of the bounds' diagonal from the middle of each face."""

import json
import os
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import igl  # noqa: E402
import numpy as np  # noqa: E402
from plain_obj import read  # noqa: E402

LIFT = 1e-5


for path in sys.argv[1:]:
    vertices, faces = read(path)
    a, b, c = (vertices[faces[:, corner]] for corner in range(3))
    across = np.cross(b - a, c - a)
    twice = np.linalg.norm(across, axis=1)
    up = across / np.where(twice > 0, twice, 1)[:, None]
    lift = LIFT * np.linalg.norm(vertices.max(axis=0) - vertices.min(axis=0))
    middle = (a + b + c) / 3
    before = np.rint(igl.winding_number(vertices, faces, middle + lift * up))
    behind = np.rint(igl.winding_number(vertices, faces, middle - lift * up))
    folded = (before != 0) | (behind != 1)
    print(json.dumps({"file": path, "faces": len(faces), "folded": float(twice[folded].sum() / twice.sum())}))
