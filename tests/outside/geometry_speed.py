"""The reference side of the example `geometry_speed`: how long PyPI `fast-simplification`, `xatlas` and `embreex` take.

Arguments: FOLDER THREADS REPEATS COUNT SIZE PADDING. FOLDER holds high.f32, high.u32, low.f32, low.u32 (positions and
triangles) and rays.f32 (origin and direction). Prints one JSON object: the best of the repeats, in milliseconds."""

import json
import multiprocessing
import os
import sys
import time

threads = int(sys.argv[2])
if hasattr(os, "sched_setaffinity"):
    # Before anything starts its threads.
    os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:threads])
sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import numpy as np  # noqa: E402

folder, repeats, count, size, padding = sys.argv[1], *map(int, sys.argv[3:7])


def best(work):
    seconds = []
    for _ in range(repeats):
        begin = time.perf_counter()
        work()
        seconds.append(time.perf_counter() - begin)
    return 1000 * min(seconds)


def mesh(name):
    positions = np.fromfile(f"{folder}/{name}.f32", np.float32).reshape(-1, 3)
    return positions, np.fromfile(f"{folder}/{name}.u32", np.uint32).reshape(-1, 3)


def scene_of(positions, triangles):
    from embreex import rtcore_scene
    from embreex.mesh_construction import TriangleMesh

    scene = rtcore_scene.EmbreeScene()
    TriangleMesh(scene, positions[triangles])
    return scene


def cast(part):
    hits = scene.run(rays[part::threads, 0].copy(), rays[part::threads, 1].copy())
    return int((hits >= 0).sum())


result = {}
if os.path.exists(f"{folder}/low.f32"):
    import fast_simplification
    import xatlas

    positions, triangles = mesh("high")
    plain = np.ascontiguousarray(triangles, np.int32)
    result["simplify_ms"] = best(lambda: fast_simplification.simplify(positions, plain, target_count=count))
    low = mesh("low")

    def unwrap():
        atlas = xatlas.Atlas()
        atlas.add_mesh(*low)
        options = xatlas.PackOptions()
        options.padding = padding
        options.resolution = size
        atlas.generate(pack_options=options)

    result["unwrap_ms"] = best(unwrap)
if os.path.exists(f"{folder}/rays.f32"):
    rays = np.fromfile(f"{folder}/rays.f32", np.float32).reshape(-1, 2, 3)
    scene = scene_of(*mesh("high"))
    if threads == 1:
        result["hits"] = cast(0)
        result["rays_ms"] = best(lambda: cast(0))
    else:
        with multiprocessing.get_context("fork").Pool(threads) as pool:
            result["hits"] = sum(pool.map(cast, range(threads), 1))
            result["rays_ms"] = best(lambda: pool.map(cast, range(threads), 1))
print(json.dumps(result))
