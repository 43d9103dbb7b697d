"""Pictures among the attachments, small enough for a sheet of paper."""

from __future__ import annotations

import io
import warnings
from pathlib import Path

from PIL import Image, ImageOps

from otdravg.system.ordinary import open_ordinary

#: What phones and cameras save; readers of other formats start programs, or are seldom tested.
_FORMATS = ("JPEG", "PNG")
#: Most pixels along an edge, and how well they are kept, percent. Chosen, not derived.
_EDGE, _QUALITY = 480, 75


def thumbnail(path: Path) -> bytes | None:
    """Return a picture small, as JPEG, upright and without its remarks; None if it is none.

    Remarks of a picture say where it was taken, and by whose phone: the original keeps them.
    """
    small = io.BytesIO()
    try:
        with warnings.catch_warnings(), open_ordinary(str(path)) as stream:
            warnings.simplefilter("error", Image.DecompressionBombWarning)
            with Image.open(stream, formats=_FORMATS) as picture:
                picture.draft("RGB", (_EDGE, _EDGE))
                upright = ImageOps.exif_transpose(picture).convert("RGB")
        upright.thumbnail((_EDGE, _EDGE))
        upright.save(small, "JPEG", quality=_QUALITY)
    except (OSError, ValueError, SyntaxError, EOFError, Image.DecompressionBombError,
            Image.DecompressionBombWarning):  # fmt: skip
        return None
    return small.getvalue()
