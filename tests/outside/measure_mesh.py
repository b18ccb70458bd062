"""Measures model files with `trimesh` (PyPI): one JSON object a line.

Vertices at equal positions are merged first, since a GLB splits them at seams."""

import json
import os
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import trimesh  # noqa: E402

for path in sys.argv[1:]:
    mesh = trimesh.load(path, force="mesh", process=False)
    mesh.merge_vertices(merge_tex=True, merge_norm=True)
    print(
        json.dumps(
            {
                "file": path,
                "triangles": len(mesh.faces),
                "closed": bool(mesh.is_watertight),
                "consistent": bool(mesh.is_winding_consistent),
                "euler": int(mesh.euler_number),
                "area": float(mesh.area),
                "volume": float(mesh.volume),
            }
        )
    )
