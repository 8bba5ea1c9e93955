"""Bodies rendered in three dimensions agree with the geometry and the optics they stand for."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import ndimage

from training.scenes.light import Light, inside, lit, place
from training.scenes.organisms import SOLID_KINDS, new_animal
from training.scenes.records import Pose
from training.scenes.skins import colour_of
from training.scenes.solid import OPAQUE, Spots, Tube, frames, render, turned
from training.scenes.solid_snails import FORMS, PER_WHORL, coil

if TYPE_CHECKING:
    import torch

RADIUS = 0.4
PX = 150.0
LAMP = Light(azimuth_rad=0.0, elevation_rad=0.8, ambient=0.2, shine=0.0, shadow=0.0, lift=0.0)


def red(at: Spots) -> torch.Tensor:
    return colour_of((0.8, 0.1, 0.1), at)


def green(at: Spots) -> torch.Tensor:
    return colour_of((0.1, 0.8, 0.1), at)


def ball(skin=red, *, middle=(0.0, 0.0, 0.0), radius=RADIUS, density=OPAQUE) -> Tube:
    turn = np.linspace(0, np.pi, 60)
    spine = np.asarray(middle) + radius * np.column_stack([-np.cos(turn), 0 * turn, 0 * turn])
    out = radius * np.sin(turn)
    return Tube(spine, out, out, skin, density=density)


def offsets(body) -> tuple[np.ndarray, np.ndarray]:
    """x and y of every pixel's middle, in units."""
    rows, columns = np.indices(body.cover.shape)
    return (columns - body.origin_px[0]) / body.px_per_unit, (
        rows - body.origin_px[1]
    ) / body.px_per_unit


def test_a_ball_covers_a_disc_and_faces_outwards_and_rises_as_a_ball_does() -> None:
    body = render([ball()], px_per_unit=PX, gloss=0.0)
    x, y = offsets(body)
    far = np.hypot(x, y)
    area = body.cover.sum() / body.px_per_unit**2
    assert area == pytest.approx(np.pi * RADIUS**2, rel=0.02)
    well = far < 0.85 * RADIUS
    rise = np.sqrt(RADIUS**2 - far[well] ** 2)
    expected = np.stack([x[well], y[well], rise], axis=1) / RADIUS
    assert np.abs(body.normal[well] - expected).max() < 0.06
    height = body.height[well] / body.px_per_unit
    assert np.abs((height - height.max()) - (rise - RADIUS)).max() < 0.02


def test_light_through_a_ball_fades_with_its_depth_as_beer_and_lambert_say() -> None:
    # Transmittance exp(-density * path): the Beer-Lambert law; the path is a chord of the ball.
    density = 2.5
    body = render([ball(density=density)], px_per_unit=PX, gloss=0.0)
    x, y = offsets(body)
    well = np.hypot(x, y) < 0.9 * RADIUS
    chord = 2 * np.sqrt(RADIUS**2 - x[well] ** 2 - y[well] ** 2)
    assert np.abs(body.alpha[well] - (1 - np.exp(-density * chord))).max() < 0.03


def test_what_lies_inside_shows_the_more_the_thinner_the_flesh_before_it() -> None:
    shown = []
    for density in (0.5, 2.0, 8.0, OPAQUE):
        body = render(
            [ball(density=density)],
            inner=[ball(green, radius=0.15)],
            px_per_unit=PX,
            gloss=0.0,
        )
        row, column = (round(v) for v in (body.origin_px[1], body.origin_px[0]))
        shown.append(float(body.rgb[row, column, 1]))
    assert shown[0] > shown[1] > shown[2] > shown[3]
    # 0.25 units of flesh before it: green 0.8 of what comes through, 0.1 of the flesh's own.
    through = np.exp(-2.0 * 0.25)
    assert shown[1] == pytest.approx(0.8 * through + 0.1 * (1 - through), abs=0.03)
    assert shown[3] == pytest.approx(0.1, abs=0.01)


def test_the_nearer_of_two_bodies_hides_the_other() -> None:
    low, high = ball(red), ball(green, middle=(0.0, 0.0, 0.5), radius=0.2)
    for order in ([low, high], [high, low]):
        body = render(order, px_per_unit=PX, gloss=0.0)
        row, column = (round(v) for v in (body.origin_px[1], body.origin_px[0]))
        assert body.rgb[row, column, 1] > 0.7
    turned_over = render([low, high], px_per_unit=PX, gloss=0.0, view=turned(180.0))
    row, column = (round(v) for v in (turned_over.origin_px[1], turned_over.origin_px[0]))
    assert turned_over.rgb[row, column, 0] > 0.7


def test_a_carried_direction_turns_against_a_helix_by_its_torsion() -> None:
    # Bishop, "There is more than one way to frame a curve", Am. Math. Monthly 82 (1975): a frame
    # without twist turns against Frenet's by the integral of the torsion, b / (a^2 + b^2) a length.
    a, b = 1.0, 0.35
    t = np.linspace(0, 5.0, 2001)
    helix = np.column_stack([a * np.cos(t), a * np.sin(t), b * t])
    inward = np.column_stack([-np.cos(t), -np.sin(t), 0 * t])
    tangent, side, back = frames(helix, inward[0])
    assert np.abs((back * tangent).sum(axis=1)).max() < 1e-6
    across = np.cross(tangent, inward)
    angle = np.unwrap(np.arctan2((back * across).sum(axis=1), (back * inward).sum(axis=1)))
    length = np.hypot(a, b) * t[-1]
    assert abs(angle[-1] - angle[0]) == pytest.approx(b / (a**2 + b**2) * length, rel=0.01)
    np.testing.assert_allclose(np.cross(tangent, side), back, atol=1e-6)


def test_normals_turn_with_the_body_and_light_falls_on_the_side_that_faces_it() -> None:
    body = render([ball()], px_per_unit=PX, gloss=0.0)
    for heading in (0.0, 90.0, 200.0):
        placed = place(body, (100.0, 100.0), heading_deg=heading, px_per_unit=PX)
        colour = lit(placed, LAMP)[..., 0]
        _, columns = np.indices(colour.shape)
        x = columns + placed.left - 100.0
        well = placed.cover > 0.99
        assert colour[well & (x > 20)].mean() > 1.5 * colour[well & (x < -20)].mean()


def test_a_body_without_tubes_is_refused() -> None:
    with pytest.raises(ValueError, match="tube"):
        render([], px_per_unit=PX, gloss=0.0)


@pytest.mark.parametrize("fine", list(SOLID_KINDS))
def test_solid_kinds_leave_no_pinholes_and_repeat_with_their_seed(fine: str) -> None:
    for kind in SOLID_KINDS[fine]:
        for seed in range(2) if kind.is_solid else ():
            rng = np.random.default_rng(seed)
            animal = new_animal(rng, fine, kind=kind.name)
            pose = kind.pose(rng)
            body, same = (animal.paint(pose, 200.0) for _ in range(2))
            np.testing.assert_array_equal(body.rgb, same.rgb)
            assert body.normal is not None
            assert np.isfinite(body.rgb).all()
            assert body.rgb.min() >= 0
            assert body.rgb.max() <= 1.0 + 1e-5
            empty, count = ndimage.label(body.cover < 0.5)
            sizes = ndimage.sum_labels(body.cover < 0.5, empty, range(1, count + 1))
            pinholes = int((np.asarray(sizes) <= 3).sum())
            assert pinholes <= max(6, 2e-3 * body.cover.sum())


def test_a_leech_bows_up_between_its_suckers_when_seen_from_the_side_and_not_from_above() -> None:
    pose = Pose("arch", stretch=1.2, bends_rad=(3.0, 0.0, 0.0))
    for seed in range(4):
        animal = new_animal(np.random.default_rng(seed), "leech", kind="slender leech")
        aside = animal.paint(replace(pose, tilt_deg=(90.0, 0.0)), 200.0)
        above = animal.paint(pose, 200.0)
        rows = {"aside": aside.cover.any(axis=1).sum(), "above": above.cover.any(axis=1).sum()}
        assert rows["aside"] > 1.8 * rows["above"]
        # Nothing but ground between body and ground in the middle of the bow.
        column = aside.cover[:, round(aside.origin_px[0])] > 0.5
        filled = np.flatnonzero(column)
        assert filled[-1] - filled[0] < 0.75 * rows["aside"]


def test_both_suckers_show_through_the_glass_and_the_hind_one_is_the_larger() -> None:
    for seed in range(4):
        animal = new_animal(np.random.default_rng(seed), "leech", kind="snail leech")
        under = animal.paint(Pose("underside"), 300.0)
        over = animal.paint(Pose("resting"), 300.0)
        tail, head = (
            (
                round(end[1] * under.px_per_unit + under.origin_px[1]),
                round(end[0] * under.px_per_unit + under.origin_px[0]),
            )
            for end in under.ends
        )
        # Pressed flat on the pane they face the eye, as the belly's edge beside them does not.
        for row, column in (tail, head):
            reach = slice(max(row - 4, 0), row + 5), slice(max(column - 4, 0), column + 5)
            assert under.normal[reach][..., 2].max() > 0.9
        ends = [
            inside(under.cover)[:, part].any(axis=1).sum()
            for part in (slice(tail[1] - 2, tail[1] + 3), slice(head[1] - 12, head[1] - 7))
        ]
        assert ends[0] > ends[1]
        assert under.length_units == over.length_units == 1.0


def test_about_seventy_rings_show_close_by_and_none_from_far_off() -> None:
    # Some 65 to 70 rings in all (from memory); three a segment: Zootaxa 4671(1), 2019.
    counts, waviness = [], []
    for seed in range(4):
        animal = new_animal(np.random.default_rng(seed), "leech", kind="slender leech")
        for px, kept in ((700.0, counts), (60.0, waviness)):
            body = animal.paint(Pose("resting"), px)
            facing = body.normal[round(body.origin_px[1]), :, 0]
            inner = facing[round(0.2 * len(facing)) : round(0.8 * len(facing))]
            level = inner - ndimage.gaussian_filter1d(inner, px / 25)
            if px > 100:
                kept.append(int(((level[:-1] < 0) & (level[1:] >= 0)).sum()) / 0.6)
            else:
                kept.append(float(np.abs(level).mean()))
    assert 55 <= np.median(counts) <= 80
    assert max(waviness) < 0.05


@pytest.mark.parametrize("name", list(FORMS))
def test_a_shell_grows_and_turns_by_the_parameters_of_its_form(name: str) -> None:
    # Raup 1966, J Paleontol 40:1178-1190: W, the growth of the section in one whorl.
    form = FORMS[name]
    for seed in range(5):
        shell = coil(form, np.random.default_rng(seed))
        last = len(shell.spine) - 12  # the lip flares
        growth = shell.half_thick[last] / shell.half_thick[last - PER_WHORL]
        assert 0.93 * form.growth[0] < growth < 1.07 * form.growth[1]
        # A whorl later it has gone once round.
        np.testing.assert_allclose(shell.up[last], shell.up[last - PER_WHORL], atol=0.12)
        assert np.ptp(shell.spine, axis=0).max() < 1.0


def test_a_flat_shell_is_flat_and_a_tower_is_a_tower() -> None:
    def slimness(name: str) -> float:
        shells = [coil(FORMS[name], np.random.default_rng(seed)).spine for seed in range(6)]
        spans = np.array([np.ptp(spine, axis=0) for spine in shells])
        return float(np.median(spans[:, 2] / spans[:, :2].max(axis=1)))

    assert slimness("ramshorn") < 0.1
    assert slimness("trumpet snail") > 1.5
    assert slimness("ramshorn") < slimness("nerite") < slimness("pond snail")


def test_a_flatworm_is_much_thinner_than_a_leech() -> None:
    # Rarely over 0.5 mm thick at a breadth of 2 to 6 mm: Essex Field Club.
    def thickness(fine: str, seed: int) -> float:
        animal = new_animal(np.random.default_rng(seed), fine, kind=SOLID_KINDS[fine][0].name)
        aside = animal.paint(Pose("gliding", tilt_deg=(90.0, 0.0)), 200.0)
        above = animal.paint(Pose("gliding"), 200.0)
        middle = round(above.origin_px[0])
        return float(aside.cover[:, round(aside.origin_px[0])].sum() / above.cover[:, middle].sum())

    worms = [thickness("flatworm", seed) for seed in range(6)]
    leeches = [thickness("leech", seed) for seed in range(6)]
    assert max(worms) < 0.5
    assert np.median(worms) < 0.6 * np.median(leeches)


def test_a_gpu_renders_what_the_processor_renders() -> None:
    import torch

    if not torch.cuda.is_available():
        pytest.skip("no CUDA device here")
    tubes = [ball(density=2.5), ball(green, middle=(0.2, 0.1, 0.5), radius=0.2)]
    one = render(tubes, px_per_unit=PX, gloss=0.0)
    other = render(tubes, px_per_unit=PX, gloss=0.0, device="cuda")
    assert one.rgb.shape == other.rgb.shape
    # Rounding moves a patch over a pixel's edge here and there.
    assert (np.abs(one.rgb - other.rgb).max(axis=2) > 0.02).mean() < 0.01
