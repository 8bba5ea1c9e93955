"""The outline of an animal in its box, by colour and by a map, and how sure its length is."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pestvision.errors import ShapeError, WeightsError
from pestvision.organisms import outline_net
from pestvision.organisms.outline_net import (
    SEEN_PX,
    build_outline_net,
    find_outline,
    foreground,
    framed,
    load_outline_net,
)
from pestvision.size.outline import (
    AT_FRAME,
    UNSURE,
    NoOutline,
    outline_in,
    padded_box,
    relative_sd_of,
)
from pestvision.size.records import Outline
from training.scenes.crops import draw_crop
from training.scenes.tips import line_length, tip_to_tip

BOX = (40.0, 60.0, 160.0, 90.0)
GROUND, ANIMAL = (170, 180, 160), (60, 45, 35)


def bar(box: tuple[float, float, float, float] = BOX) -> np.ndarray:
    """A dark bar with round ends on a plain ground, 200 by 150 pixels."""
    rgb = np.full((150, 200, 3), GROUND, np.uint8)
    x0, y0, x1, y1 = (round(value) for value in box)
    half = (y1 - y0) // 2
    middle = (y0 + y1) // 2
    cv2.line(rgb, (x0 + half, middle), (x1 - half, middle), ANIMAL, y1 - y0)
    return np.asarray(cv2.GaussianBlur(rgb, (0, 0), 0.8))


def the_map(rgb: np.ndarray) -> np.ndarray:
    left, top, right, bottom = padded_box(BOX, height=150, width=200)
    return (rgb[top:bottom, left:right, 0] < 115).astype(np.float32)


def test_a_bar_is_outlined_by_colour_where_it_lies():
    found = outline_in(bar(), BOX)
    assert isinstance(found, Outline)
    assert found.box_xyxy_px == pytest.approx(BOX, abs=2.5)
    assert found.length_px == pytest.approx(120, rel=0.05)
    assert found.doubts == ()


def test_a_map_is_followed_and_its_agreement_makes_it_sure():
    rgb = bar()
    sure = the_map(rgb)
    half = np.array(sure)
    half[:, half.shape[1] // 2 :] = 0
    agreed = outline_in(rgb, BOX, foreground=sure, readings=(sure, sure))
    assert isinstance(agreed, Outline)
    assert agreed.length_px == pytest.approx(120, rel=0.05)
    shorter = np.array(sure)
    shorter[:, -round(0.25 * sure.shape[1]) :] = 0
    parted = outline_in(rgb, BOX, foreground=sure, readings=(sure, shorter))
    assert isinstance(parted, Outline)
    assert parted.relative_sd > 1.5 * agreed.relative_sd
    dim = np.where(sure > 0, 0.7, 0.3).astype(np.float32)
    unsure = outline_in(rgb, BOX, foreground=dim, readings=(dim, half))
    assert isinstance(unsure, NoOutline)
    assert unsure.reason == UNSURE
    # what shape it has can be seen all the same
    assert unsure.rough is not None
    assert unsure.rough.length_px == pytest.approx(120, rel=0.1)
    assert unsure.rough.relative_sd > parted.relative_sd


def test_the_range_widens_with_disagreement_and_with_blur():
    calm = relative_sd_of(100.0, [100.0, 100.0], blur=0.01)
    apart = relative_sd_of(100.0, [100.0, 112.0], blur=0.01)
    blurred = relative_sd_of(100.0, [100.0, 100.0], blur=0.1)
    gone = relative_sd_of(100.0, [100.0, None], blur=0.01)
    assert 0 < calm < apart < gone < 1
    assert calm < blurred


def test_what_the_frame_cuts_is_told():
    found = outline_in(bar((100.0, 60.0, 240.0, 90.0)), (100.0, 60.0, 200.0, 90.0))
    assert isinstance(found, Outline)
    assert AT_FRAME in found.doubts
    assert found.relative_sd >= 0.2


def test_what_shows_nothing_has_a_reason_and_no_outline():
    plain = np.full((150, 200, 3), 120, np.uint8)
    small = outline_in(bar(), (40.0, 60.0, 45.0, 64.0))
    assert isinstance(small, NoOutline)
    assert "too few" in small.reason
    for found in (
        outline_in(plain, BOX),
        outline_in(plain, BOX, foreground=np.zeros_like(the_map(bar()))),
    ):
        assert isinstance(found, NoOutline)


def test_a_map_or_a_box_that_does_not_fit_is_refused():
    rgb = bar()
    with pytest.raises(ShapeError, match="foreground"):
        outline_in(rgb, BOX, foreground=np.zeros((3, 3), np.float32))
    with pytest.raises(ShapeError, match="foreground"):
        outline_in(rgb, BOX, foreground=the_map(rgb), readings=(np.zeros((3, 3), np.float32),))
    with pytest.raises(ShapeError, match="box"):
        find_outline(rgb, (300.0, 10.0, 400.0, 60.0))


def test_a_picture_is_framed_in_its_corner_with_its_box():
    cut = np.full((60, 120, 3), 99, np.uint8)
    picture, size = framed(cut, (20.0, 10.0, 100.0, 50.0))
    assert picture.shape == (SEEN_PX, SEEN_PX, 4)
    assert size == (128, 64)
    assert (picture[..., :3] == 99).all()
    marked = picture[..., 3] == 255
    assert marked.sum() == pytest.approx(80 * 40 * (128 / 120) ** 2, rel=0.03)
    assert not marked[64:].any()


def test_the_shipped_net_knows_drawn_leeches_from_their_ground():
    overlaps, errors = [], []
    for seed in range(5):
        crop = draw_crop(np.random.default_rng([9, seed]), "leech", size_px=200, fill=(0.4, 0.7))
        rows, columns = np.nonzero(crop.mask)
        box = (columns.min(), rows.min(), columns.max() + 1, rows.max() + 1)
        found = find_outline(crop.rgb, tuple(float(value) for value in box))
        if isinstance(found, NoOutline) or crop.line_xy_px is None:
            continue
        x0, y0, x1, y1 = (round(value) for value in found.box_xyxy_px)
        whole = np.zeros_like(crop.mask)
        whole[y0:y1, x0:x1] = found.mask
        overlaps.append((whole & crop.mask).sum() / (whole | crop.mask).sum())
        true = line_length(tip_to_tip(crop.line_xy_px, crop.mask))
        errors.append(abs(found.length_px / true - 1))
    assert len(overlaps) >= 3
    assert np.median(overlaps) > 0.8
    assert np.median(errors) < 0.07


def test_mirrored_looks_lie_where_the_picture_does():
    rgb = bar()
    left, top, right, bottom = padded_box(BOX, height=150, width=200)
    inner = (BOX[0] - left, BOX[1] - top, BOX[2] - left, BOX[3] - top)
    sure, readings = foreground(rgb[top:bottom, left:right], inner)
    assert len(readings) == 4
    truth = the_map(rgb) > 0.5
    for one in (sure, *readings):
        assert one.shape == truth.shape
        seen = one > 0.5
        assert (seen & truth).sum() / (seen | truth).sum() > 0.8


def test_layers_with_norms_say_the_same_once_the_norms_are_folded_in():
    import torch

    from training.outline_train import folded

    torch.manual_seed(3)
    net = build_outline_net(with_norms=True)
    pictures = torch.rand(4, 4, SEEN_PX, SEEN_PX) - 0.5
    net.train()
    with torch.no_grad():
        net(pictures)  # gives the norms means of their own
    net.eval()
    plain = build_outline_net()
    plain.load_state_dict({name: value.float() for name, value in folded(net).items()})
    with torch.no_grad():
        assert torch.allclose(
            plain(pictures), net(pictures), atol=0.02
        )  # kernels are kept in 16 bits


@pytest.mark.parametrize("data", [b"", b"not a net"])
def test_damaged_weights_are_told_in_a_sentence(tmp_path, monkeypatch, data):
    spoilt = tmp_path / "outline_net.safetensors"
    spoilt.write_bytes(data)
    monkeypatch.setattr(outline_net, "WEIGHTS_FILE", spoilt)
    load_outline_net.cache_clear()
    try:
        with pytest.raises(WeightsError, match="outline net"):
            find_outline(bar(), BOX)
        spoilt.unlink()
        with pytest.raises(WeightsError, match="outline net"):
            find_outline(bar(), BOX)
    finally:
        load_outline_net.cache_clear()
