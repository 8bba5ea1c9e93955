"""The figures of an evaluation that nobody ran, for the tables and cards made of them."""

from __future__ import annotations

from typing import Any

from training.ship import LIMITS

NOBODY = {"n": 0, "n_sources": 0, "right": 0, "wilson_95": [0.0, 1.0]}


def row(right: int, n: int, wilson: tuple[float, float] = (0.1, 0.9)) -> dict[str, Any]:
    """Give a row of shares."""
    return {"n": n, "n_sources": min(n, 2), "right": right, "wilson_95": list(wilson)}


def made_crop_figures() -> dict[str, Any]:
    """Give figures of crops. Intervals of 3 of 4 and 9 of 10: Wilson, as statsmodels gives them."""
    some = {"a kind": row(9, 10, (0.596, 0.982)), "another": row(3, 4, (0.301, 0.954))}
    return {
        "n": 14,
        "temperatures": [1.0],
        "balanced_accuracy": 0.7878,
        "calibration_error": 0.0881,
        "confusion": [[3, 1, 0, 0], [0, 9, 1, 0], [0, 0, 5, 0], [0, 2, 0, 6]],
        "groups": {
            "leech-like": row(3, 4, (0.301, 0.954)),
            "flatworm-like": row(9, 10, (0.596, 0.982)),
            "harmless": row(5, 5),
            "not-an-organism": NOBODY,
        },
        "leech-like_auc": 0.9315,
        "flatworm-like_auc": 0.981,
        "sets": {"alpha": 0.05, "answered": 0.5539, "error_when_answered": 0.046, "covered": 0.9466},
        "stress_flatworms": {"n": 6, "right": 1},
        "ground_squares": {"n": 1113, "called_leech_like": 10, "called_flatworm_like": 12},
        "by": dict.fromkeys(("what", "setting", "leech_setting", "length", "sharpness", "licence"), some),
        "stress": {"marine-polyclad": row(1, 5)},
        "leech": {
            "at_5_percent_false": {"threshold": 0.32, "found": 0.784},
            "at_look_again": {
                "threshold": 0.1, "found": 0.854, "false": 0.153, "false_flatworms": None,
                "n_leech": 4, "n_others": 10,
            },
            "ground_squares_over_look_again": [67, 1113],
        },
        "told": {
            "answered": 0.55, "wrong_of_answered": 0.046, "n_answered": row(7, 14),
            "n_wrong": row(1, 7), "leeches_called_something_else": [1, 4],
        },
    }  # fmt: skip


def made_figures() -> dict[str, Any]:
    """Give the figures of every part."""
    size = {
        "n": 14, "n_leech": 4, "balanced_accuracy": 0.654, "leech_called": 0.802,
        "leech_found": 0.938, "leech_auc": 0.92, "calibration_error": 0.124,
    }  # fmt: skip
    laid = {"n": 12, "n_sources": 3, "leech": 0.66, "not_out": 0.79, "right": 0.66}
    return {
        "crops": made_crop_figures(),
        "sizes": {
            "curves": {"photographs": [{"length_px": 12} | size, {"length_px": 24} | size]},
            "min_length_px": 12.0,
            "is_measured": True,
        },
        "drawn": {
            "all": row(9, 10, (0.596, 0.982)),
            "group": {"leech-like": row(9, 10, (0.596, 0.982))},
            "class": {"leech": row(9, 10, (0.596, 0.982))},
            "calibration_error": 0.036,
            "coverage": {
                "alpha": 0.05, "n_calibrated": 280, "n_covered_of": 280, "n_splits": 200,
                "mean": 0.952, "low": 0.921, "high": 0.979, "expected": [0.918, 0.979],
                "inside": 0.94,
            },
            "covered_by_the_card": row(10, 10, (0.722, 1.0)),
        },
        "shortcuts": {
            "grounds": {"leeches on skin": laid},
            "styles": {"leech-like": {"drawn over photographed": 0.996}},
        },
        "photos": {
            "verdicts": {
                "leech-like": {"leech-like": 7, "cant-tell": 2, "harmless": 1},
                "harmless": {"harmless": 10},
            },
            "proposals": {"5% to 15%": [0, 10], "15% to 40%": [9, 10], "40% to 80%": [5, 50]},
        },
        "backgrounds": {"not-an-organism": 18, "harmless": 2},
        "series": {
            "busy": {"pairs": 3, "aligned": 2, "moved": 3, "tracks": {"leech-like": 2, "harmless": 1}},
            "quiet": {"pairs": 1, "aligned": 1, "moved": 0, "tracks": {}},
        },
    }  # fmt: skip


def made_card() -> dict[str, Any]:
    """Give a card of weights that were just trained: figures of their crops, nothing else measured."""
    return {
        "name": "made",
        "version": "0.0",
        "made": "2026-01-01",
        "commit": "0123456789abcdef",
        "architecture": "a net",
        "input": {"size_px": 224},
        "weights": {
            "file": "made.safetensors", "sha256": "ab" * 32, "bytes": 6_900_000,
            "precision": "float16",
        },
        "licence": "MIT",
        "use": {"temperature": 0.98, "set_threshold": 0.93, "min_length_px": 16.0, "leech_look_again": 0.1},
        "training": {
            "data": {
                "boxed": {"photos": 3, "crops_by_group_and_licence": {"leech-like": {"open": 2, "unstated": 64}}},
                "drawn": {"photos": 9, "crops_by_group_and_licence": {"leech-like": {"drawn": 900}}},
            }
        },
        "figures": {
            name: value
            for name, value in made_crop_figures().items()
            if name not in {"by", "leech", "told", "stress"}
        },
        "limits": list(LIMITS),
    }  # fmt: skip
