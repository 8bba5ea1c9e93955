"""Cutting animals out, and laying them on other grounds."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
import torch

from training.cutouts import cut_out, lay_on


def dark_worm_on_noise(side: int = 320) -> tuple[np.ndarray, np.ndarray]:
    """A dark bent worm on a light, grainy ground, and where it is."""
    rng = np.random.default_rng(0)
    truth = np.zeros((side, side), np.uint8)
    cv2.ellipse(truth, (160, 175), (70, 45), 0, 180, 350, 255, 16)
    ground = rng.normal(190, 9, (side, side, 3))
    picture = np.where(truth[..., None] > 0, rng.normal(50, 9, ground.shape), ground)
    return np.clip(picture, 0, 255).astype(np.uint8), truth > 0


def box_of(mask: np.ndarray) -> tuple[float, float, float, float]:
    rows, cols = np.nonzero(mask)
    return float(cols.min()), float(rows.min()), float(cols.max() + 1), float(rows.max() + 1)


def test_the_outline_follows_the_animal() -> None:
    picture, truth = dark_worm_on_noise()
    opacity = cut_out(picture, box_of(truth))
    assert opacity is not None
    assert opacity.shape == truth.shape
    found = opacity > 127
    assert (found & truth).sum() / (found | truth).sum() > 0.8


def test_a_picture_without_an_animal_has_no_outline() -> None:
    flat = np.full((320, 320, 3), 128, np.uint8)
    assert cut_out(flat, (90.0, 120.0, 230.0, 200.0)) is None


@pytest.mark.parametrize("box", [(0.0, 0.0, 9.0, 9.0), (150.0, 150.0, 151.0, 300.0)])
def test_a_box_too_small_to_learn_colours_from_has_no_outline(
    box: tuple[float, float, float, float],
) -> None:
    assert cut_out(dark_worm_on_noise()[0], box) is None


def test_laying_on_keeps_the_animal_and_changes_the_ground() -> None:
    picture, truth = dark_worm_on_noise()
    canvas = torch.from_numpy(picture).permute(2, 0, 1)[None]
    ground = torch.full_like(canvas, 90)
    opacity = torch.from_numpy(truth.astype(np.uint8) * 255)[None]
    laid = lay_on(canvas, opacity, ground, torch.zeros(1))[0].permute(1, 2, 0).numpy()
    assert (laid[truth] == picture[truth]).all()
    assert (laid[~truth] == 90).all()


def test_the_animal_is_darkened_on_a_darker_ground_as_far_as_asked() -> None:
    canvas = torch.full((1, 3, 8, 8), 100, dtype=torch.uint8)
    whole = torch.full((1, 8, 8), 255, dtype=torch.uint8)
    ground = torch.full_like(canvas, 50)
    as_it_is, halfway, wholly = (
        int(lay_on(canvas, whole, ground, torch.tensor([s]))[0, 0, 0, 0]) for s in (0.0, 0.5, 1.0)
    )
    assert (as_it_is, halfway, wholly) == (100, 75, 50)
