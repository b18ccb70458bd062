"""Reads report files with Python's HTML parser and their pictures with Pillow (PyPI). One JSON object a file."""

import base64
import io
import json
import os
import sys
from html.parser import HTMLParser

sys.path.insert(0, os.path.join(os.environ["TIDEMILL_OUTSIDE"], "python"))

from PIL import Image  # noqa: E402

VOID = {"meta", "img", "input", "link", "br", "hr"}


class Report(HTMLParser):
    def __init__(self):
        super().__init__()
        self.open, self.unclosed, self.images, self.bad, self.states = [], [], 0, [], {}
        self.sections, self.items, self.outside, self.scripts, self.no_alt = [], 0, [], 0, 0
        self.text = ""

    def handle_starttag(self, tag, attributes):
        found = dict(attributes)
        if tag not in VOID:
            self.open.append(tag)
        self.scripts += tag == "script"
        for name in ("src", "href"):
            value = found.get(name) or ""
            if value and not value.startswith(("data:", "#")):
                self.outside.append(value)
        if tag == "section":
            self.sections.append(found.get("id"))
        if (found.get("id") or "").startswith("item-"):
            self.items += 1
            state = found["data-state"]
            self.states[state] = self.states.get(state, 0) + 1
        if tag == "img":
            self.images += 1
            self.no_alt += "alt" not in found
            try:
                picture = Image.open(io.BytesIO(base64.b64decode(found["src"].split(",", 1)[1], validate=True)))
                picture.load()
            except Exception as error:  # whatever is wrong with it is reported
                self.bad.append(str(error))

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.unclosed.append(tag)

    def handle_data(self, data):
        self.text += data


for path in sys.argv[1:]:
    report = Report()
    report.feed(open(path, encoding="utf-8").read())
    print(
        json.dumps(
            {
                "bytes": os.path.getsize(path),
                "unclosed": report.unclosed + report.open,
                "images": report.images,
                "bad_images": report.bad,
                "without_alt": report.no_alt,
                "items": report.items,
                "states": report.states,
                "sections": [name for name in report.sections if name and not name.startswith("item-")],
                "outside": report.outside,
                "scripts": report.scripts,
                "text": report.text,
            }
        )
    )
