"""Bring the second photo of a pair onto the first.

The path of a pair, cheapest step first: a shift guessed by phase correlation, corners followed by a
pyramid of local least squares, a robust model through them. Where that finds too little (a large
turn, a step to the side) descriptors are matched instead, and the corners followed again from there.
Where few corners are more than grain, or too few to place the far ends of the frame, all that the photos
show is laid over each other (`whole`). The second photo is warped when it is asked for, at the size that
is asked for: at 12 megapixels the warp takes longer than all the rest.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, Bool, as_f32, as_rgb, as_u8, describe
from pestvision.errors import ShapeError
from pestvision.motion.whole import bands_of, lay_over, refine

if TYPE_CHECKING:
    from collections.abc import Sequence

WORK_LONG_SIDE_PX = 1600
"""Photos are halved until no side is longer. A 12-megapixel photo becomes 1000 wide, where corners are
followed to 0.05 px, 0.2 px of the original, and hundreds of them hold the model. Halving twice takes 5 ms,
reducing at once by three 37 ms."""
FEATURE_LONG_SIDE_PX = 800  # SIFT on two photos takes 0.2 s here, 0.75 s at 1600
GUESS_LONG_SIDE_PX = (
    256  # a shift of 4 % is 10 px: the peak stands clear of a 2 degree turn's smear
)
N_CORNERS = 500  # enough for 8 unknowns after a third is lost on plants and movers
MIN_CORNERS = 12  # three times the four points of a homography
MIN_MATCHES = 16  # points that hold one model; 150 pairs of unrelated photos reached 9
MIN_AGREEMENT = 0.2  # correlation of the two detail images; the same pairs reached 0.12
FEW_AGREEMENT = 0.5  # asked for where fewer points hold the model; the same pairs reached 0.27
SURE_AGREEMENT = 0.6  # above it, and with SURE_SHARE of the corners, nothing else is tried
SURE_SHARE = 0.4  # of the corners: a brick wall laid one brick off had 0.73 and 0.13
MAX_BEND = 0.4  # perspective over the frame: a camera turned by more shows another scene
WORSE_AGREEMENT = (
    0.1  # a model by the whole may agree by so much less than the corners' before it is dropped
)
MOST_DOUBT_PX = 0.04
"""Of the photo, at its far ends: where corners leave more, all of it is compared. Of 72 low-detail pairs
the corners' largest error was 0.1 px at the median where they left 0.02 to 0.04, 0.3 px where 0.06 to 0.1."""
INLIER_PX = 1.5  # at the working size: following is good to 0.1, the rest is room for parallax
SMALL_BEND = 0.02  # of turn or scale: a patch of 21 pixels is still followed to 0.05 px
STILL_PX = 0.12  # at the working size: below it a warp would blur more than it would mend
MIN_OVERLAP = 0.5  # less than half the frame shared: the gaps would hide more than the pair shows
LEAST_DETERMINANT = 1e-6  # of a similarity: a scale of a thousandth, far outside SCALE_RANGE
SCALE_RANGE = (0.6, 1.7)  # beyond it, small animals are not the same thing to both photos
MIN_DETAIL = 1.5  # grey levels between neighbours in the livelier tenth; noise alone gives 1
MIN_SHADING = 4.0  # grey levels, standard deviation of coarse tiles
BLUR_RATIO = 4.0  # sharpness of one photo over the other's; hand-held pairs stay under 2

Corners = tuple[tuple[float, float], ...]


class AlignReason(StrEnum):
    """Why a pair could not be aligned."""

    NOT_SAME_SCENE = "not-same-scene"
    MOVED_TOO_FAR = "moved-too-far"
    TOO_BLURRED = "too-blurred"
    NO_DETAIL = "no-detail"


ADVICE: dict[AlignReason, str] = {
    AlignReason.NOT_SAME_SCENE: (
        "The two photos do not seem to show the same piece of glass; "
        "put photos of another place in a folder of their own."
    ),
    AlignReason.MOVED_TOO_FAR: (
        "The camera moved so far between the two photos that less than half of the view is on both; "
        "hold it at the same place, or mark the place on the glass."
    ),
    AlignReason.TOO_BLURRED: (
        "One of the two photos is too blurred to be laid over the other; "
        "rest the camera on something, or give it more light."
    ),
    AlignReason.NO_DETAIL: (
        "There is too little to see on the photos to lay one over the other; include a corner, "
        "a plant or a mark on the glass, or use more light."
    ),
}
TURNED_ADVICE = (
    "The two photos have different sizes ({first} and {second} pixels); take both with the same camera, "
    "held the same way up."
)


@dataclass(frozen=True, eq=False)
class AlignedPair:
    """Two photos and how the second lies over the first.

    `first`, `second`: (H, W, 3) uint8 RGB, each on its own pixels. `valid`: (H, W) bool, False where the
    second has nothing to show. `matrix`: (3, 3) float32 homography that takes first's pixel (x, y, 1) to
    second's; pixel (0, 0) is the centre of the top-left pixel. `residual_px`: median error of the matched
    points, or what is left in doubt where none were matched. `halves`: both photos reduced by two, where
    that was done on the way.
    """

    first: U8
    second: U8
    valid: Bool
    matrix: F32
    residual_px: float
    halves: tuple[U8, U8] | None = None

    def __post_init__(self) -> None:
        as_rgb(self.first, "first")
        as_rgb(self.second, "second")
        size = self.first.shape[:2]
        if self.second.shape[:2] != size or self.valid.shape != size or self.valid.dtype != bool:
            raise ShapeError(
                "second and valid",
                expected=f"{size}, valid bool",
                actual=f"{describe(self.second)}, {describe(self.valid)}",
            )
        if self.matrix.shape != (3, 3) or not np.isfinite(self.matrix).all():
            raise ShapeError("matrix", expected="(3, 3), finite", actual=str(self.matrix))

    @cached_property
    def warped(self) -> U8:
        """The second photo on the first's pixels: (H, W, 3) uint8, warped once and kept."""
        return _warp(self.second, self.matrix.astype(np.float64))

    def reduced(self, step: int) -> tuple[U8, U8]:
        """Give the first photo and the warped second, both reduced by a whole number.

        The second is reduced before it is warped: at 12 megapixels, by two, both photos take 25 ms; the warp of
        the second at full size alone takes 69.

        Returns
        -------
        Both (H // step, W // step, 3) uint8. What has no source is black.
        """
        if step == 2 and self.halves is not None:
            first, second = self.halves
        else:
            first, second = (_reduced(photo, step) for photo in (self.first, self.second))
        return first, _warp(second, _at_reduced_size(self.matrix.astype(np.float64), step))


@dataclass(frozen=True, slots=True)
class AlignmentFailed:
    """Falsy. `reason` is one of AlignReason; `advice` is a sentence for the person."""

    reason: AlignReason
    advice: str

    def __bool__(self) -> Literal[False]:
        return False


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A photo, and what alignment needs of it, from `prepare`.

    `photo` is (H, W, 3) uint8 RGB, `half` the same reduced by two, kept where it was made. `grey` and `detail` are (h, w) uint8: the smoothed grey, and the same
    with the local mean and contrast taken out, so that exposure does not matter. `step` is the whole
    number they were reduced by.
    """

    photo: U8
    half: U8 | None
    grey: U8
    detail: U8
    step: int


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    """A model at the working size: matrix, how many points hold it, and their median error.

    `agreement`: correlation of the two photos under it, -1 to 1. `doubt_px`: standard deviation of the
    place it gives the frame's corners.
    """

    matrix: F64
    n_points: int
    residual_px: float
    agreement: float = 0.0
    doubt_px: float = 0.0


def prepare(photo: U8) -> View:
    """Reduce a photo, (H, W, 3) uint8 RGB, to what alignment needs.

    A photo that is second in one pair and first in the next needs it once.

    Raises
    ------
    ShapeError
        If it is not an RGB image.
    """
    return _prepared(photo, "photo")


def align_pair(first: U8 | View, second: U8 | View) -> AlignedPair | AlignmentFailed:
    """Find how the second photo lies over the first.

    Parameters
    ----------
    first, second
        (H, W, 3) uint8, RGB, upright; or what `prepare` gave of them.

    Returns
    -------
    AlignedPair
        Where one model of the camera's motion holds: none (a tripod), a similarity, or a homography,
        whichever the points support.
    AlignmentFailed
        Falsy, with the reason and what would do. Photos of different sizes end here too.

    Raises
    ------
    ShapeError
        If one of them is not an RGB image.

    Notes
    -----
    Accuracy on known warps: within 0.3 px (tests/reference/test_align.py).
    """
    one, other = (
        as_rgb(item.photo if isinstance(item, View) else item, name)
        for item, name in ((first, "first"), (second, "second"))
    )
    if one.shape != other.shape:
        sizes = {"first": _size_in_words(one), "second": _size_in_words(other)}
        advice = TURNED_ADVICE.format(**sizes)
        return AlignmentFailed(AlignReason.NOT_SAME_SCENE, advice)
    views = (_prepared(first, "first"), _prepared(second, "second"))
    model = _camera_motion(*views)
    if isinstance(model, AlignReason):
        return AlignmentFailed(model, ADVICE[model])
    step = views[0].step
    matrix = _at_full_size(model.matrix, step)
    overlap = valid_area(matrix, one.shape[0], one.shape[1])
    if cv2.countNonZero(overlap.view(np.uint8)) < MIN_OVERLAP * overlap.size:
        return AlignmentFailed(AlignReason.MOVED_TOO_FAR, ADVICE[AlignReason.MOVED_TOO_FAR])
    return AlignedPair(
        first=one,
        second=other,
        valid=overlap,
        matrix=matrix.astype(np.float32),
        residual_px=model.residual_px * step,
        halves=_both(views[0].half, views[1].half),
    )


def _both(one: U8 | None, other: U8 | None) -> tuple[U8, U8] | None:
    return None if one is None or other is None else (one, other)


def valid_area(matrix: F64, height: int, width: int) -> Bool:
    """Mark the pixels of the first photo whose place lies inside the second.

    Parameters
    ----------
    matrix
        (3, 3), takes first's (x, y, 1) to second's.
    height, width
        Of both photos, pixels.

    Returns
    -------
    (height, width) bool.
    """
    area = np.zeros((height, width), np.uint8)
    corners = _moved(_inverse(matrix), _frame((height, width)))
    fixed_point = np.round(np.clip(corners, -(2.0**14), 2.0**14) * 16).astype(np.int32)
    cv2.fillConvexPoly(area, fixed_point, 1, lineType=cv2.LINE_8, shift=4)
    return area.view(np.bool_)


def _camera_motion(first: View, second: View) -> _Model | AlignReason:
    """Find the model, or why there is none."""
    corners = _corners(first.detail)
    guess = _shift_guess(first, second)
    best = _judged(_follow(first, second, corners, guess), first, second)
    is_sure = best is not None and best.agreement >= SURE_AGREEMENT
    if best is None or not is_sure or best.n_points < SURE_SHARE * len(corners):
        is_sure = False
        start = _match_descriptors(first, second)
        if start is not None:
            best = _better(best, _judged(_follow(first, second, corners, start), first, second))
    if best is None or not is_sure or best.doubt_px * first.step > MOST_DOUBT_PX:
        best = _by_the_whole(first, second, best, is_sure=is_sure)
    return _why_not(first, second) if best is None else best


def _by_the_whole(
    first: View, second: View, best: _Model | None, *, is_sure: bool
) -> _Model | None:
    """Compare all that the photos show: from the corners' model if that is sure, else from anywhere.

    The corners' own model is kept where nothing stands clear of chance, or where it agrees better.
    """
    bands = bands_of(first.grey), bands_of(second.grey)
    if best is not None and is_sure:
        laid = refine(*bands, best.matrix)
    else:
        laid = lay_over(*bands, () if best is None else (best.matrix,))
    if laid is None or not _is_a_cameras(laid.matrix, first):
        return best
    sharpness = (_sharpness(first), _sharpness(second))
    if max(sharpness) > BLUR_RATIO * min(sharpness):
        return best
    agreement = _agreement(first, second, laid.matrix)
    if best is not None and best.agreement > agreement + WORSE_AGREEMENT:
        return best
    matrix = np.eye(3) if _is_still(laid.matrix, first) else laid.matrix
    return _Model(matrix, 0, laid.doubt_px, agreement, laid.doubt_px)


def _is_still(matrix: F64, view: View) -> bool:
    """Tell whether no corner of the frame moves by more than a warp would blur."""
    frame = _frame(view.grey.shape)
    return bool(np.linalg.norm(_moved(matrix, frame) - frame, axis=1).max() < STILL_PX)


def _frame(size: tuple[int, ...]) -> F64:
    """Give the centres of the corner pixels: (4, 2), (x, y)."""
    bottom, right = size[0] - 1.0, size[1] - 1.0
    return np.array([[0.0, 0.0], [right, 0.0], [right, bottom], [0.0, bottom]])


def _better(one: _Model | None, other: _Model | None) -> _Model | None:
    if one is None or other is None:
        return one or other
    return one if one.agreement >= other.agreement else other


def _judged(model: _Model | None, first: View, second: View) -> _Model | None:
    """Give the model with its agreement, or None if it is no camera's or the photos disagree."""
    if model is None:
        return None
    if not _is_a_cameras(model.matrix, first):
        return None
    agreement = _agreement(first, second, model.matrix)
    least = MIN_AGREEMENT if model.n_points >= MIN_MATCHES else FEW_AGREEMENT
    return replace(model, agreement=agreement) if agreement >= least else None


def _is_a_cameras(matrix: F64, view: View) -> bool:
    scale = float(np.sqrt(abs(np.linalg.det(matrix[:2, :2]))))
    bends = np.abs(matrix[2, :2]) * max(view.grey.shape)
    return SCALE_RANGE[0] < scale < SCALE_RANGE[1] and float(bends.max()) <= MAX_BEND


def _why_not(first: View, second: View) -> AlignReason:
    """Tell why no model was believed."""
    if _is_flat(first) or _is_flat(second):
        return AlignReason.NO_DETAIL
    sharpness = (_sharpness(first), _sharpness(second))
    if max(sharpness) > BLUR_RATIO * min(sharpness):
        return AlignReason.TOO_BLURRED
    return AlignReason.NOT_SAME_SCENE


def _size_in_words(rgb: U8) -> str:
    return f"{rgb.shape[1]} × {rgb.shape[0]}"


def _prepared(photo: U8 | View, name: str) -> View:
    """Reduce a photo to its working size, unless that has been done."""
    if isinstance(photo, View):
        return photo
    rgb = as_rgb(photo, name)
    step = 1
    half: U8 | None = None
    while max(rgb.shape[:2]) > WORK_LONG_SIDE_PX and min(rgb.shape[:2]) > 1:
        rgb = _reduced(rgb, 2)
        step *= 2
        half = rgb if half is None else half
    grey = as_u8(cv2.GaussianBlur(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), (3, 3), 0))
    return View(photo, half, grey, _detail(grey), step)


def _reduced(rgb: U8, step: int) -> U8:
    if step == 1:
        return rgb
    height, width = rgb.shape[0] // step, rgb.shape[1] // step
    whole = rgb[: height * step, : width * step]
    return as_u8(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA))


def _detail(grey: U8) -> U8:
    """Take out the local mean and contrast: 128 + 40 sigmas, (h, w) uint8."""
    centred, spread = _centred_and_spread(grey)
    # Three grey levels are added so that bare sensor noise is not blown up to look like detail.
    ratio = centred / (spread + 3.0)
    return as_u8(cv2.addWeighted(ratio, 40.0, ratio, 0.0, 128.0, dtype=cv2.CV_8U))


def _centred_and_spread(grey: U8) -> tuple[F32, F32]:
    """Give grey less its local mean, and the local standard deviation: (h, w) float32, grey levels."""
    side = max(15, max(grey.shape) // 40 | 1)
    as_float = grey.astype(np.float32)
    centred = as_float - cv2.blur(as_float, (side, side))
    return as_f32(centred), as_f32(cv2.sqrt(cv2.blur(centred * centred, (side, side))))


def _is_flat(view: View) -> bool:
    """Tell whether a photo holds nothing but noise: no edges, and no shading either."""
    slope = cv2.morphologyEx(view.grey, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8))
    edges = cv2.resize(slope, (32, 32), interpolation=cv2.INTER_AREA)
    tiles = cv2.resize(view.grey, (32, 32), interpolation=cv2.INTER_AREA)
    return float(np.quantile(edges, 0.9)) < MIN_DETAIL and float(tiles.std()) < MIN_SHADING


def _sharpness(view: View) -> float:
    """Give the share of contrast that lies in the finest detail."""
    grey = view.grey.astype(np.float32)
    fine = grey - cv2.GaussianBlur(grey, (0, 0), 1.5)
    return float(fine.std() / max(float(grey.std()), 1e-3))


def _shift_guess(first: View, second: View) -> F64:
    """Guess a shift by phase correlation of the windowed detail."""
    height, width = first.detail.shape
    reduction = max(1.0, max(height, width) / GUESS_LONG_SIDE_PX)
    size = (max(8, round(width / reduction)), max(8, round(height / reduction)))
    small = [
        cv2.resize(view.detail, size, interpolation=cv2.INTER_AREA).astype(np.float32) - 128.0
        for view in (first, second)
    ]
    window = cv2.createHanningWindow(size, cv2.CV_32F)
    (shift_x, shift_y), _ = cv2.phaseCorrelate(small[0], small[1], window)
    guess = np.eye(3)
    guess[0, 2] = shift_x * width / size[0]
    guess[1, 2] = shift_y * height / size[1]
    return guess


def _corners(detail: U8) -> F32:
    """Choose corners to follow, spread over the frame: (N, 2) float32, (x, y)."""
    distance = max(5.0, max(detail.shape) / 45)
    found: cv2.typing.MatLike | None = cv2.goodFeaturesToTrack(
        detail, N_CORNERS, 0.02, distance, blockSize=7
    )
    if found is None:  # nothing but a plain surface
        return np.zeros((0, 2), np.float32)
    return np.asarray(found, np.float32).reshape(-1, 2)


def _follow(first: View, second: View, corners: F32, start: F64) -> _Model | None:
    """Follow corners into the second photo from a first guess, twice, and fit a model to them."""
    if len(corners) < MIN_CORNERS:
        return None
    model: _Model | None = None
    matrix = start
    for _ in range(2):
        height, width = first.detail.shape
        laid_over = cv2.warpPerspective(
            second.detail,
            matrix,
            (width, height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_REFLECT,
        )
        inside = valid_area(matrix, height, width)[
            corners[:, 1].astype(int), corners[:, 0].astype(int)
        ]
        found = _followed(first.detail, as_u8(laid_over), corners[inside])
        if len(found) < MIN_CORNERS:
            return model
        model = _fit(found[:, :2].copy(), _moved(matrix, found[:, 2:]), (height, width))
        bend = 1.0 if model is None else float(np.abs(model.matrix - matrix)[:2, :2].max())
        if model is None or bend < SMALL_BEND:
            return model
        matrix = model.matrix
    return model


def _followed(first: U8, second: U8, corners: F32) -> F64:
    """Follow corners there and back, and keep those that return: (N, 4), x y x y."""
    if len(corners) == 0:
        return np.zeros((0, 4))
    there, ok_there = _flow(first, second, corners)
    back, ok_back = _flow(second, first, there)
    returned = np.abs(back - corners).max(axis=1) < 0.5
    kept = ok_there & ok_back & returned
    return np.hstack([corners[kept], there[kept]]).astype(np.float64)


def _flow(one: U8, other: U8, points: F32) -> tuple[F32, Bool]:
    """Follow points by pyramidal least squares. Source: Lucas & Kanade 1981, IJCAI, 674-679."""
    moved, status, _ = cv2.calcOpticalFlowPyrLK(
        one, other, points, np.empty_like(points), winSize=(21, 21), maxLevel=3
    )
    return as_f32(moved), np.asarray(status).ravel() == 1


def _fit(points_first: F64, points_second: F64, size: tuple[int, int]) -> _Model | None:
    """Fit no motion, a similarity and a homography, and keep the one the points support.

    Each is scored by the Bayesian information criterion over the points that any of them explains;
    the one with fewer unknowns wins unless the other's smaller error pays for them.
    """
    candidates: list[tuple[F64, int]] = [(np.eye(3), 0)]
    for fitted, unknowns in (
        (_similarity(points_first, points_second, INLIER_PX), 4),
        (_homography(points_first, points_second), 8),
    ):
        if fitted is not None:
            candidates.append((fitted, unknowns))
    errors = [_errors(matrix, points_first, points_second) for matrix, _ in candidates]
    explained = np.min(errors, axis=0) < INLIER_PX
    n_points = int(explained.sum())
    if n_points < MIN_CORNERS // 2:
        return None
    scores = [
        n_points
        * np.log(np.mean(np.minimum(error[explained], 2 * INLIER_PX) ** 2) + STILL_PX**2 / 4)
        + unknowns * np.log(n_points)
        for error, (_, unknowns) in zip(errors, candidates, strict=True)
    ]
    best = int(np.argmin(scores))
    near = errors[best] < INLIER_PX
    if not near.any():
        return None
    residual = float(np.median(errors[best][near]))
    doubt = 0.0 if best == 0 else _doubt(points_first[near], residual, size)
    return _Model(candidates[best][0], int(near.sum()), residual, doubt_px=doubt)


def _doubt(points: F64, residual_px: float, size: tuple[int, int]) -> float:
    """Give the standard deviation of the place that a similarity through points gives a far corner."""
    middle = points.mean(axis=0)
    spread = float(np.square(points - middle).sum())
    far = float(np.linalg.norm(_frame(size) - middle, axis=1).max())
    # The median of a length in two dimensions is 1.18 standard deviations of either.
    return residual_px / 1.18 * float(np.sqrt(2.0 / len(points) + 2.0 * far**2 / (spread + 1e-9)))


def _similarity(points_first: F64, points_second: F64, within_px: float) -> F64 | None:
    """Fit a turn, a scale and a shift to the most points: (3, 3), or None."""
    found: tuple[cv2.typing.MatLike | None, cv2.typing.MatLike] = cv2.estimateAffinePartial2D(
        points_first, points_second, method=cv2.RANSAC, ransacReprojThreshold=within_px
    )
    if found[0] is None:
        return None
    matrix: F64 = np.vstack([found[0], [0.0, 0.0, 1.0]]).astype(np.float64)
    # Descriptors of many places may all be matched to one: a scale of 0, which has no way back.
    return matrix if abs(np.linalg.det(matrix)) > LEAST_DETERMINANT else None


def _homography(points_first: F64, points_second: F64) -> F64 | None:
    """Fit a plane's image to the most points, then by least squares to those: (3, 3), or None.

    Source: Barath, Noskova, Ivashechkin & Matas 2020, CVPR, 1301-1309 (the sampling with marginal
    likelihood that `USAC_MAGSAC` names).
    """
    found: cv2.typing.MatLike | None
    try:
        found, inliers = cv2.findHomography(
            points_first, points_second, cv2.USAC_MAGSAC, INLIER_PX, maxIters=2000
        )
        kept = np.asarray(inliers).ravel() == 1
        if kept.sum() >= MIN_CORNERS:
            found, _ = cv2.findHomography(points_first[kept], points_second[kept], 0)
    except cv2.error:  # degenerate points: all on a line
        return None
    return None if found is None else np.asarray(found, np.float64)


def _errors(matrix: F64, points_first: F64, points_second: F64) -> F64:
    error: F64 = np.linalg.norm(_moved(matrix, points_first) - points_second, axis=1)
    return error


def _inverse(matrix: F64) -> F64:
    return np.asarray(np.linalg.inv(matrix), np.float64)


def _moved(matrix: F64, points: F64) -> F64:
    """Carry (N, 2) points (x, y) through a homography."""
    ahead = points @ matrix[:, :2].T + matrix[:, 2]
    moved: F64 = ahead[:, :2] / ahead[:, 2:]
    return moved


def _match_descriptors(first: View, second: View) -> F64 | None:
    """Match SIFT descriptors, and give a homography at the working size, or None."""
    height, width = first.detail.shape
    reduction = max(1.0, max(height, width) / FEATURE_LONG_SIDE_PX)
    size = (round(width / reduction), round(height / reduction))
    sift = cv2.SIFT.create(nfeatures=1200)
    keys, descriptors = [], []
    for view in (first, second):
        small = cv2.resize(view.detail, size, interpolation=cv2.INTER_AREA)
        key, descriptor = sift.detectAndCompute(small, None)
        if len(key) < MIN_MATCHES:
            return None
        keys.append(np.array([point.pt for point in key]))
        descriptors.append(descriptor)
    matches = cv2.BFMatcher(cv2.NORM_L2).knnMatch(descriptors[0], descriptors[1], k=2)
    # Ratio 0.8: Lowe 2004, IJCV 60:91-110, section 7.1.
    good = [pair[0] for pair in matches if len(pair) == 2 and _is_distinct(pair)]
    if len(good) < MIN_MATCHES:
        return None
    points_first = keys[0][[match.queryIdx for match in good]].astype(np.float64)
    points_second = keys[1][[match.trainIdx for match in good]].astype(np.float64)
    similarity = _similarity(points_first, points_second, 4.0)
    if similarity is None:
        return None
    if (_errors(similarity, points_first, points_second) < 4.0).sum() < MIN_MATCHES // 2:
        return None
    zoom = np.diag([size[0] / width, size[1] / height, 1.0])
    matrix: F64 = _inverse(zoom) @ similarity @ zoom
    return matrix


def _is_distinct(pair: Sequence[cv2.DMatch]) -> bool:
    return pair[0].distance < 0.8 * pair[1].distance


def _agreement(first: View, second: View, matrix: F64) -> float:
    """Correlate the two detail images, smoothed, where both have a source: -1 to 1."""
    height, width = first.detail.shape
    reduction = max(1.0, max(height, width) / 640)
    size = (round(width / reduction), round(height / reduction))
    zoom = np.diag([size[0] / width, size[1] / height, 1.0])
    small = [
        cv2.GaussianBlur(cv2.resize(v.detail, size, interpolation=cv2.INTER_AREA), (0, 0), 1.5)
        for v in (first, second)
    ]
    carried = zoom @ matrix @ _inverse(zoom)
    laid_over = cv2.warpPerspective(
        small[1], carried, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    inside = valid_area(carried, size[1], size[0])
    if inside.sum() < 100:
        return -1.0
    one = small[0][inside].astype(np.float32)
    other = laid_over[inside].astype(np.float32)
    one -= one.mean()
    other -= other.mean()
    return float((one * other).mean() / max(float(one.std() * other.std()), 1e-6))


def _at_full_size(matrix: F64, step: int) -> F64:
    """Carry a model from the working size to the photo's own pixels."""
    grow = _grow(step)
    full: F64 = grow @ matrix @ _inverse(grow)
    full /= full[2, 2]
    return full


def _at_reduced_size(matrix: F64, step: int) -> F64:
    """Carry a model from the photo's own pixels to those of a reduced one."""
    grow = _grow(step)
    small: F64 = _inverse(grow) @ matrix @ grow
    small /= small[2, 2]
    return small


def _grow(step: int) -> F64:
    # The centre of a reduced pixel lies at step * x + (step - 1) / 2 of the original.
    middle = (step - 1) / 2
    return np.array([[step, 0, middle], [0, step, middle], [0, 0, 1]], np.float64)


def _warp(second: U8, matrix: F64) -> U8:
    if np.array_equal(matrix, np.eye(3)):
        return second
    height, width = second.shape[:2]
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    return as_u8(cv2.warpPerspective(second, matrix, (width, height), flags=flags))
