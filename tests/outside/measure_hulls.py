"""Collision shapes against `scipy` (PyPI: Qhull) and `trimesh`: `measure_hulls.py MODEL SHAPE…`, one JSON object a node of each shape.

`own` is a node's volume, `hull` that of its own corners' hull by Qhull; equal for a convex node. `outside` is how far a corner of the
model lies outside all nodes, at most, in metres. `model_hull` is the volume of the model's hull by Qhull."""

import json
import os
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import numpy as np  # noqa: E402
import trimesh  # noqa: E402
from scipy.spatial import ConvexHull  # noqa: E402

model = trimesh.load(sys.argv[1], force="mesh", process=False)
points = np.asarray(model.vertices)
model_hull = ConvexHull(points).volume
for path in sys.argv[2:]:
    scene = trimesh.load(path, force="scene", process=False)
    nodes = []
    distances = []
    for name in sorted(scene.graph.nodes_geometry):
        transform, geometry = scene.graph[name]
        mesh = scene.geometry[geometry].copy()
        mesh.apply_transform(transform)
        mesh.merge_vertices(merge_tex=True, merge_norm=True)
        hull = ConvexHull(mesh.vertices)
        distances.append((points @ hull.equations[:, :3].T + hull.equations[:, 3]).max(axis=1))
        nodes.append(
            {
                "name": name,
                "triangles": len(mesh.faces),
                "closed": bool(mesh.is_watertight),
                "own": float(mesh.volume),
                "hull": float(hull.volume),
            }
        )
    outside = float(np.maximum(np.min(distances, axis=0), 0).max())
    print(json.dumps({"file": path, "nodes": nodes, "outside": outside, "model_hull": float(model_hull)}))
