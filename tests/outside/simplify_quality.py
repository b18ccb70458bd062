"""Compares reduced meshes with what PyPI `fast-simplification` makes of the same input at the same count of faces.

Arguments: HIGH.obj LOW.obj ... One JSON object for each LOW. Distances are measured by PyPI `libigl`, both ways, from the
vertices and from samples spread evenly over the surfaces, and given as shares of the diagonal of the input's bounds."""

import json
import os
import sys
import time

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import fast_simplification  # noqa: E402
import igl  # noqa: E402
import numpy as np  # noqa: E402
from plain_obj import read  # noqa: E402

SAMPLES = 200_000


def spread(vertices, faces):
    random = np.random.default_rng(7)
    a, b, c = (vertices[faces[:, corner]] for corner in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    chosen = random.choice(len(faces), SAMPLES, p=area / area.sum())
    root, other = np.sqrt(random.random(SAMPLES)), random.random(SAMPLES)
    weights = np.stack([1 - root, root * (1 - other), root * other], axis=1)
    return (vertices[faces[chosen]] * weights[:, :, None]).sum(axis=1)


def distances(one, other):
    points = np.vstack([spread(*one), one[0]])
    return np.sqrt(np.maximum(igl.point_mesh_squared_distance(points, *other)[0], 0))


def apart(one, other):
    there, back = distances(one, other), distances(other, one)
    return max(there.max(), back.max()), (there[:SAMPLES].mean() + back[:SAMPLES].mean()) / 2


high = read(sys.argv[1])
diagonal = np.linalg.norm(high[0].max(axis=0) - high[0].min(axis=0))
plain = np.ascontiguousarray(high[0], np.float32), np.ascontiguousarray(high[1], np.int32)
for path in sys.argv[2:]:
    low = read(path)
    seconds = []
    for _ in range(7):
        begin = time.perf_counter()
        points, faces = fast_simplification.simplify(*plain, target_count=len(low[1]))
        seconds.append(time.perf_counter() - begin)
    theirs = points.astype(np.float64), faces.astype(np.int64)
    hausdorff, mean = apart(high, low)
    hausdorff_other, mean_other = apart(high, theirs)
    print(
        json.dumps(
            {
                "file": path,
                "faces": len(low[1]),
                "faces_other": len(theirs[1]),
                "hausdorff": hausdorff / diagonal,
                "hausdorff_other": hausdorff_other / diagonal,
                "mean": mean / diagonal,
                "mean_other": mean_other / diagonal,
                "best_other_ms": 1000 * min(seconds),
            }
        )
    )
