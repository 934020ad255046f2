"""Photographs, written anew: the picture stays, and nothing of where and when it was taken."""

from __future__ import annotations

import io
import warnings

from memdiag.bench.refusal import Refusal

MOST_BYTES = 24 << 20
MOST_PIXELS = 80_000_000
LONGEST_SIDE = 2400
"""Pixels of a photograph's longer side, once it is kept: pin 1 of a package is still seen."""

_QUALITY = 88
_ENDINGS = {"JPEG": "jpg", "PNG": "png"}


def rewritten(data: bytes) -> tuple[bytes, str]:
    """The picture of a photograph as new bytes, upright, and the ending of its name. Raises Refusal
    where it is neither JPEG nor PNG, or is too large. Runs in a worker: picture files are made by
    anybody."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    if not data:
        raise _refused("no photograph was chosen")
    if len(data) > MOST_BYTES:
        raise _refused(f"it is larger than {MOST_BYTES >> 20} MiB")
    Image.MAX_IMAGE_PIXELS = MOST_PIXELS
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(io.BytesIO(data), formats=tuple(_ENDINGS)) as found:
                kind = found.format or ""
                upright = ImageOps.exif_transpose(found)
                upright.thumbnail((LONGEST_SIDE, LONGEST_SIDE))
                plain = upright.convert("RGB")
    except (Image.DecompressionBombWarning, Image.DecompressionBombError):
        raise _refused(f"it has more than {MOST_PIXELS // 1_000_000} million pixels") from None
    except UnidentifiedImageError:
        raise _refused("it is neither a JPEG nor a PNG file") from None
    except (OSError, ValueError, SyntaxError) as wrong:
        raise _refused(f"it cannot be read: {wrong}"[:200]) from None
    # Only the pixels go over: no field of the old file is asked for, so none can be forgotten.
    fresh = Image.frombytes("RGB", plain.size, plain.tobytes())
    made = io.BytesIO()
    fresh.save(made, kind, quality=_QUALITY, optimize=True)
    return made.getvalue(), _ENDINGS[kind]


def _refused(reason: str) -> Refusal:
    return Refusal.of(422, "bench-field", field="photograph", reason=reason)
