"""Reads PNG files with `pypng` (PyPI), 8 bits also with Pillow, and compares them with samples in a raw file.

Arguments: PNG RAW pairs; RAW holds the samples in 16 bits, little-endian. One JSON object a file."""

import json
import os
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import numpy as np  # noqa: E402
import png  # noqa: E402
from PIL import Image  # noqa: E402

for path, raw in zip(sys.argv[1::2], sys.argv[2::2]):
    expected = np.fromfile(raw, "<u2")
    chunks = [name.decode() for name, _ in png.Reader(path).chunks()]
    width, height, rows, info = png.Reader(path).read()
    samples = np.concatenate([np.array(row) for row in rows])
    image = Image.open(path)
    image.load()
    # Pillow keeps 16 bits of grey pictures only.
    comparable = info["bitdepth"] == 8 or info["planes"] == 1
    print(
        json.dumps(
            {
                "file": os.path.basename(path),
                "width": width,
                "height": height,
                "channels": info["planes"],
                "bits": info["bitdepth"],
                "chunks": chunks,
                "pypng_equal": bool(np.array_equal(samples, expected)),
                "pillow_equal": bool(np.array_equal(np.asarray(image).reshape(-1), expected)) if comparable else None,
            }
        )
    )
