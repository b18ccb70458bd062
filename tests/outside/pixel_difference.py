"""Share of changed pixels and greatest difference of pairs of PNG files, by Pillow and numpy (PyPI). Arguments: BEFORE AFTER …"""

import json
import os
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import numpy as np  # noqa: E402
from PIL import Image  # noqa: E402

for before, after in zip(sys.argv[1::2], sys.argv[2::2]):
    pictures = [np.asarray(Image.open(path)) for path in (before, after)]
    highest = 65535.0 if pictures[0].dtype.itemsize > 1 else 255.0
    difference = np.abs(pictures[0].astype(np.int64) - pictures[1].astype(np.int64))
    difference = difference.reshape(difference.shape[0], difference.shape[1], -1).max(axis=2)
    print(json.dumps({"changed_share": float((difference > 0).mean()), "greatest": float(difference.max() / highest)}))
