"""Store the logits of the shipped weights on crops of the sample images: `python tests/model/regenerate.py`.

To be run only when the weights or the samples change on purpose; the commit says why.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pestvision.organisms.classify import Classifier
from pestvision.organisms.crops import cut_crop
from pestvision.photos.read import read_photo

if TYPE_CHECKING:
    from pestvision.arrays import U8

REPO = Path(__file__).resolve().parents[2]
STORED = Path(__file__).with_name("logits.npz")


def sample_crops() -> tuple[list[str], list[str], list[U8]]:
    """Give the file, the true group and the crop of every object on the sample close-ups."""
    truth = json.loads((REPO / "sample_images" / "truth.json").read_text(encoding="utf-8"))
    names, groups, crops = [], [], []
    for photo in truth["close_ups"]:
        rgb = read_photo(REPO / "sample_images" / photo["file"]).rgb
        for thing in photo["objects"]:
            names.append(photo["file"])
            groups.append(thing["group"])
            crops.append(cut_crop(rgb, tuple(thing["box_xyxy_px"])))
    return names, groups, crops


if __name__ == "__main__":
    names, groups, crops = sample_crops()
    np.savez_compressed(STORED, names=names, groups=groups, logits=Classifier.load().logits(crops))
