"""An album as one JSON file of COCO's detection form, with all that the form has no word for beside it.

The form: Lin et al. 2014, "Microsoft COCO: Common Objects in Context", arXiv 1405.0312, and the data
format published with it. Boxes are `[x, y, width, height]` in pixels from the top left corner.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from pestvision.collection.records import DISPUTED, DONT_KNOW, UNLABELLED
from pestvision.organisms.caution import CAUTION
from pestvision.organisms.classes import FINE_NAMES, GROUP_OF_FINE, GROUPS

if TYPE_CHECKING:
    from pestvision.collection.records import Crop, Label
    from pestvision.collection.snapshot import PhotoRow, Snapshot

COCO_NAME: Final = "coco.json"
OWN_KEY: Final = "album"
"""Under this key stands what COCO has no word for, in `info`, and in each image and annotation."""
FORMAT: Final = 1
WITHOUT_LABEL: Final = (UNLABELLED, DISPUTED)
"""Categories of crops that have no label."""
_UNKNOWN: Final = "unknown"
_DECIMALS: Final = 1  # as boxes are kept


def categories() -> list[dict[str, Any]]:
    """Give the categories: the classes of the net, the groups, and what is none of them."""
    named = [(name, str(GROUP_OF_FINE[name])) for name in FINE_NAMES]
    named += [(str(group), str(group)) for group in GROUPS]
    named += [(name, _UNKNOWN) for name in (DONT_KNOW, *WITHOUT_LABEL)]
    return [
        {"id": number, "name": name, "supercategory": above}
        for number, (name, above) in enumerate(named, start=1)
    ]


def as_coco(snapshot: Snapshot, made_at: str, title: str) -> dict[str, Any]:
    """Give an album as the object that is written to `coco.json`."""
    number_of = {item["name"]: item["id"] for item in categories()}
    images = {photo.sha256: _image(number, photo) for number, photo in _numbered(snapshot)}
    annotations = []
    for number, crop in enumerate(snapshot.crops, start=1):
        category = crop.label or (DISPUTED if crop.is_disputed else UNLABELLED)
        box = {"id": number, "image_id": images[crop.sha256]["id"], **_box(crop)}
        own = {
            "key": crop.key,
            "label": crop.label,
            "is_disputed": crop.is_disputed,
            "alike": snapshot.alike[crop.id],
            "labels": [_label(item) for item in snapshot.histories[crop.id]],
        }
        annotations.append({**box, "category_id": number_of[category], OWN_KEY: own})
    return {
        "info": {
            "description": f"{title}. {CAUTION}",
            "version": "1",
            "year": int(made_at[:4]),
            "date_created": made_at,
            OWN_KEY: FORMAT,
        },
        "licenses": [],
        "images": list(images.values()),
        "annotations": annotations,
        "categories": categories(),
    }


def _numbered(snapshot: Snapshot) -> enumerate[PhotoRow]:
    return enumerate(snapshot.photos, start=1)


def _image(number: int, photo: PhotoRow) -> dict[str, Any]:
    return {
        "id": number,
        "file_name": photo.file,
        "width": photo.width,
        "height": photo.height,
        "date_captured": photo.taken or "",
        OWN_KEY: {
            "sha256": photo.sha256,
            "name": photo.name,
            "taken": photo.taken,
            "tank": photo.tank,
            "camera": photo.camera,
            "source": photo.source,
        },
    }


def _box(crop: Crop) -> dict[str, Any]:
    x0, y0, x1, y1 = crop.box_xyxy_px
    width, height = round(x1 - x0, _DECIMALS), round(y1 - y0, _DECIMALS)
    return {
        "bbox": [x0, y0, width, height],
        "area": round(width * height, 2),
        "iscrowd": 0,
        "segmentation": [],
    }


def _label(item: Label) -> dict[str, Any]:
    return {
        "key": item.key,
        "label": item.label,
        "who": item.who,
        "kind": item.kind,
        "at": item.at,
        "model": item.model,
        "confidence": item.confidence,
        "settles": item.settles,
        "withdrawn_at": item.withdrawn_at,
    }
