"""Take the picture: blur, exposure, white balance, noise, sharpening, JPEG.

Everything is drawn without a look at what is in the picture, so that no class can be told by it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from pestvision.arrays import F32, F64, U8, as_u8
from training.scenes.paint import f32, soften

_SHOULDER = 0.7  # of full white; own reading of photographs with a flash in them


@dataclass(frozen=True, slots=True)
class Camera:
    """One way of taking a picture.

    `blur_px`: Gaussian sigma. `smear_px`, `smear_rad`: length and direction of a motion blur.
    `exposure_ev`: stops. `balance`: gains of red, green, blue. `contrast`: about mid-grey. `colour`:
    saturation, 0 for an infra-red camera. `read_noise`: sigma that is always there; `shot_noise`:
    sigma at full white, growing with the root of the signal; both on a scale of 0..1. `grain_px`:
    size of the noise. `sharpen`: amount of unsharp masking. `jpeg`: quality.
    """

    blur_px: float = 0.5
    smear_px: float = 0.0
    smear_rad: float = 0.0
    exposure_ev: float = 0.0
    balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    contrast: float = 1.0
    colour: float = 1.0
    read_noise: float = 0.006
    shot_noise: float = 0.02
    grain_px: float = 1.0
    sharpen: float = 0.3
    jpeg: int = 85

    def changed(self, *, exposure_ev: float, balance: tuple[float, float, float]) -> Camera:
        """Give the same camera as it sets itself for the next photo: stops added, gains multiplied."""
        red, green, blue = (a * b for a, b in zip(self.balance, balance, strict=True))
        return replace(self, exposure_ev=self.exposure_ev + exposure_ev, balance=(red, green, blue))


def draw_camera(
    rng: np.random.Generator, *, blur_px: float | None = None, most_noise: float = 4.0
) -> Camera:
    """Draw a camera for a crop or a close-up; `blur_px` overrules the blur.

    `most_noise` caps the noise, in multiples of a usual camera's in room light.
    """
    if blur_px is None:
        blur_px = float(np.clip(rng.lognormal(-0.25, 0.85), 0.25, 6.5))
    warm = float(rng.normal(0, 0.10))
    green = float(rng.normal(0, 0.04))
    noisy = float(np.clip(rng.lognormal(-0.7, 0.8), 0.1, most_noise))
    return Camera(
        blur_px=blur_px,
        smear_px=float(rng.exponential(4.0)) if rng.random() < 0.15 else 0.0,
        smear_rad=float(rng.uniform(0, np.pi)),
        exposure_ev=float(rng.normal(0, 0.35)),
        balance=(1.0 + warm, 1.0 + green, 1.0 - warm),
        contrast=float(rng.uniform(0.75, 1.3)),
        colour=0.0 if rng.random() < 0.07 else float(rng.uniform(0.6, 1.35)),
        read_noise=0.006 * noisy,
        shot_noise=0.018 * noisy,
        grain_px=float(rng.uniform(0.5, 1.6)),
        sharpen=float(rng.uniform(0.0, 1.2)) if rng.random() < 0.6 else 0.0,
        jpeg=int(rng.integers(45, 98)),
    )


def metered(rng: np.random.Generator, picture: F32, camera: Camera) -> Camera:
    """Let the camera expose for the picture, as cameras do: most of the way to a middling level."""
    level = max(float(picture.mean()), 0.004)
    wanted = float(rng.uniform(0.16, 0.5))
    stops = float(np.clip(rng.uniform(0.4, 0.9) * np.log2(wanted / level), -2.0, 2.5))
    return replace(camera, exposure_ev=camera.exposure_ev + stops)


def photograph(rng: np.random.Generator, picture: F32, camera: Camera) -> U8:
    """Take a picture, (H, W, 3) float32 0..1, as uint8 out of a camera."""
    seen = exposed(picture, camera)
    seen = seen + _noise(rng, seen, camera)
    if camera.sharpen > 0:
        seen = seen + np.float32(camera.sharpen) * (seen - cv2.GaussianBlur(seen, (0, 0), 1.1))
    levels = np.clip(seen * 255.0 + 0.5, 0, 255).astype(np.uint8)
    return _through_jpeg(levels, camera.jpeg)


def exposed(picture: F32, camera: Camera) -> F32:
    """Give what falls on the sensor: (H, W, 3) float32, blurred and exposed, before noise and JPEG."""
    seen = f32(cv2.transform(_blurred(picture, camera), _response(camera)))
    return _shouldered(f32(np.maximum(seen, 0.0)))


def _shouldered(seen: F32) -> F32:
    """Press what is bright together, as cameras do, rather than cut it off at white."""
    over = np.maximum(seen - np.float32(_SHOULDER), 0)
    room = np.float32(1.0 - _SHOULDER)
    return f32(np.minimum(seen, np.float32(_SHOULDER)) + over / (1 + over / room))


def _response(camera: Camera) -> F64:
    """Exposure, balance, saturation and contrast as one (3, 4) matrix on RGB and 1."""
    gains = np.diag(camera.balance) * 2.0**camera.exposure_ev
    saturate = camera.colour * np.eye(3) + (1.0 - camera.colour) / 3.0
    return np.column_stack(
        [camera.contrast * saturate @ gains, np.full(3, 0.45 * (1.0 - camera.contrast))]
    )


def _blurred(picture: F32, camera: Camera) -> F32:
    seen = picture
    if camera.blur_px >= 0.3:
        seen = soften(seen, camera.blur_px)
    if camera.smear_px >= 1.5:
        reach = int(np.ceil(camera.smear_px / 2))
        kernel = np.zeros((2 * reach + 1, 2 * reach + 1), np.float32)
        dx, dy = reach * np.cos(camera.smear_rad), reach * np.sin(camera.smear_rad)
        cv2.line(
            kernel,
            (round(reach - dx), round(reach - dy)),
            (round(reach + dx), round(reach + dy)),
            1.0,
            1,
            cv2.LINE_AA,
        )
        seen = f32(cv2.filter2D(seen, -1, kernel / kernel.sum()))
    return seen


def _noise(rng: np.random.Generator, seen: F32, camera: Camera) -> F32:
    rows, columns = seen.shape[:2]
    grain = rng.standard_normal((rows, columns, 3), dtype=np.float32)
    if camera.grain_px > 0.6:
        # Blurring white noise by sigma s leaves 1/(2 s sqrt(pi)) of its deviation.
        blurred = cv2.GaussianBlur(grain, (0, 0), camera.grain_px)
        grain = f32(blurred * np.float32(2 * camera.grain_px * np.sqrt(np.pi)))
    if camera.colour == 0.0:
        grain = f32(np.repeat(grain[..., :1], 3, axis=2))
    sigma = np.sqrt(camera.read_noise**2 + camera.shot_noise**2 * seen)
    return f32(grain * sigma)


def _through_jpeg(levels: U8, quality: int) -> U8:
    """Give what is left of a picture after JPEG."""
    try:
        done, data = cv2.imencode(
            ".jpg",
            cv2.cvtColor(levels, cv2.COLOR_RGB2BGR),
            [cv2.IMWRITE_JPEG_QUALITY, quality],
        )
    except cv2.error as error:
        raise RuntimeError(f"OpenCV could not write a JPEG of {levels.shape}") from error
    if not done:
        raise RuntimeError(f"OpenCV could not write a JPEG of {levels.shape}")
    # Bytes made a line above, not a photo of anybody's: the one decoder is for those.
    decoded = cv2.imdecode(data, cv2.IMREAD_COLOR_RGB)  # noqa: TID251
    if decoded is None:
        raise RuntimeError("OpenCV could not read the JPEG it wrote")
    return as_u8(decoded)
