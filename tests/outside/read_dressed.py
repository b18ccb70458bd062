"""Takes GLB files apart with plain Python, and looks at their pictures with Pillow (PyPI). One JSON object a file.

`channels`: the mean of each channel of the picture that trimesh (PyPI) takes for roughness and metal; glTF 2.0, section 3.9.2, has
roughness in green and metal in blue.
"""

import hashlib
import io
import json
import os
import struct
import sys

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

import trimesh  # noqa: E402
from PIL import Image, ImageStat  # noqa: E402


def channels(path):
    for mesh in trimesh.load(path, force="scene").geometry.values():
        picture = getattr(mesh.visual.material, "metallicRoughnessTexture", None)
        if picture is not None:
            return ImageStat.Stat(picture.convert("RGB")).mean
    return None


for path in sys.argv[1:]:
    data = open(path, "rb").read()
    length = struct.unpack_from("<I", data, 12)[0]
    document = json.loads(data[20 : 20 + length])
    binary = data[20 + length + 8 :]
    images = []
    for image in document.get("images", []):
        view = document["bufferViews"][image["bufferView"]]
        start = view.get("byteOffset", 0)
        held = binary[start : start + view["byteLength"]]
        picture = Image.open(io.BytesIO(held))
        picture.load()
        images.append(
            {
                "name": image.get("name"),
                "sha256": hashlib.sha256(held).hexdigest(),
                "size": picture.size,
                "mode": picture.mode,
                "gamma": "gamma" in picture.info or "srgb" in picture.info,
            }
        )
    print(
        json.dumps(
            {
                "file": path,
                "images": images,
                "channels": channels(path),
                "materials": document.get("materials", []),
                "textures": [texture["source"] for texture in document.get("textures", [])],
                "nodes": [node.get("name") for node in document["nodes"]],
            }
        )
    )
