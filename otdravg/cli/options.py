"""Kinds of option values, and the options that several commands share."""

from __future__ import annotations

import glob
import os
import re
from collections.abc import Callable
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from otdravg.cli.terminal import LANGUAGE
from otdravg.errors import BadSetting, Unusable
from otdravg.findings import says
from otdravg.sor.sizes import SizeLimits
from otdravg.typed import metres_of
from otdravg.words.catalogue import Language

if TYPE_CHECKING:
    from otdravg.shot.response import Response

_LARGEST_FACTOR = 256  # 4 GiB: blocks and counts of the format go no further

#: How well somebody knows a pole who states it, as a share.
_STATED_SHARE = 0.02

Command = TypeVar("Command", bound=Callable[..., Any])

#: A file name; whether it can be read or written is found out, and said, by the library.
FilePath = click.Path(path_type=Path)


class Typed(click.ParamType):  # type: ignore[type-arg]
    """A value that is read from its text; what cannot be used is told with its option."""

    name = "text"

    def __init__(self, read: Callable[[str], Any]) -> None:
        self._read = read

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the text; see :meth:`click.ParamType.convert`."""
        try:
            return self._read(value)
        except Unusable as error:
            if param is None:
                raise
            name = param.opts[0] if isinstance(param, click.Option) else param.human_readable_name
            raise BadSetting(name, value, error.said) from None


length_m = Typed(metres_of)


@Typed
def lengths_m(text: str) -> tuple[float, ...]:
    """Read one length or several with commas: ``1.2km,3400``."""
    return tuple(metres_of(part) for part in text.split(","))


@Typed
def wavelengths_nm(text: str) -> tuple[int, ...]:
    """Read wavelengths with commas: ``1310,1550``."""
    parts = [part.strip() for part in text.split(",")]
    if not all(re.fullmatch(r"1[2-6]\d\d", part, re.ASCII) for part in parts):
        raise Unusable(says("write-wavelengths-as"))
    return tuple(dict.fromkeys(int(part) for part in parts))


@Typed
def group_index(text: str) -> float:
    """Read a group index of refraction of glass."""
    if not re.fullmatch(r"1\.\d+", text.strip(), re.ASCII) or not 1.3 <= float(text) <= 1.6:
        raise Unusable(says("write-index"))
    return float(text)


@Typed
def response(text: str) -> Response:
    """Read how a receiver answers: lengths of its poles in pulses, ``0.8,0.3``; 0 for immediate."""
    from otdravg.shot.response import Response

    parts = [part.strip() for part in text.split(",")]
    if not all(re.fullmatch(r"\d(\.\d+)?", part, re.ASCII) for part in parts):
        raise Unusable(says("write-poles"))
    poles = tuple(float(part) for part in parts if float(part) > 0)
    if len(poles) > 2:
        raise Unusable(says("two-poles"))
    return Response(poles, u_poles=_STATED_SHARE if poles else 0.0)


def files_argument(
    name: str, metavar: str, *, required: bool = True
) -> Callable[[Command], Command]:
    """Return an argument for files or folders, with patterns that no shell has expanded."""
    return click.argument(
        name,
        metavar=metavar,
        nargs=-1,
        required=required,
        type=FilePath,
        callback=lambda ctx, param, value: tuple(chain.from_iterable(map(_expanded, value))),
    )


def _expanded(path: Path) -> list[Path]:
    """Return the files that a pattern such as ``*.sor`` means: cmd.exe leaves it as it is.

    A file of that very name comes first, and a pattern that fits none is left for the message.
    """
    text = os.fspath(path)
    if os.path.lexists(text) or not set(text) & set("*?["):
        return [path]
    return sorted(Path(found) for found in glob.glob(text)) or [path]


def cord_options(command: Command) -> Command:
    """Give a command ``--launch`` and ``--receive``: ``launch_m`` and ``receive_m``."""
    for name, end in (("receive", "B"), ("launch", "A")):
        option = click.option(
            f"--{name}",
            f"{name}_m",
            metavar="LENGTH",
            type=length_m,
            help=f"Length of the {name} fibre at {end}: 1km, 500m, 1000 (metres). Default: as job "
            "or files say.",
        )
        command = option(command)
    return command


#: ``--index``, which gives the command ``group_index``.
index_option = click.option(
    "--index",
    "group_index",
    metavar="N",
    type=group_index,
    help="Group index for the distances of all shots. Default: as in the files.",
)

#: ``--limit``, which gives the command ``limits``.
limit_option = click.option(
    "--limit",
    "limits",
    metavar="DB",
    multiple=True,
    help="Upper limit of a splice's loss, as in 0.15, or for one wavelength as in "
    "1310=0.25; may be repeated. Without it 0.20 dB is used, and the output says so.",
)

#: ``--force``
force_option = click.option("--force", is_flag=True, help="Replace output files that exist.")

#: ``--guarded``
guarded_option = click.option(
    "--guarded",
    is_flag=True,
    help="Call neither pass nor fail where the limit lies inside the uncertainty.",
)

#: ``--profile``, which gives the command ``profile_name``.
profile_option = click.option(
    "--profile",
    "profile_name",
    metavar="NAME|FILE",
    help="Acceptance profile: a TOML file, or the name of a shipped example.",
)

#: ``--stage``: of the profile.
stage_option = click.option(
    "--stage", metavar="NAME", help="Stage of the work, as the profile names it. Default: its own."
)


def _spoken(ctx: click.Context, _param: click.Parameter, value: str | None) -> Language | None:
    """Keep the language for what may stop the command, too."""
    ctx.meta[LANGUAGE] = None if value is None else Language(value)
    return ctx.meta[LANGUAGE]  # type: ignore[no-any-return]


#: ``--language``. Not guessed from the environment: a report goes to somebody else, and the same
#: command shall write the same paper on every machine.
language_option = click.option(
    "--language",
    type=click.Choice([language.value for language in Language]),
    callback=_spoken,
    is_eager=True,
    help="Language of screen, pictures and papers: en (default) or de.",
)

#: ``--json``, which gives the command ``as_json``.
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON object and nothing else on stdout."
)

#: ``--plot FILE``
plot_option = click.option(
    "--plot", metavar="FILE", type=FilePath, help="Draw the picture: .png, .pdf or .svg."
)

#: ``--max-size N``, which gives the command ``size_limits``.
max_size_option = click.option(
    "--max-size",
    "size_limits",
    metavar="N",
    type=click.IntRange(min=1, max=_LARGEST_FACTOR),
    default=1,
    callback=lambda ctx, param, value: SizeLimits().times(value),
    help="Allow trace files N times larger than usual (16 MiB, 2 million points, 256 blocks).",
)

#: ``--trace N``, which gives the command ``trace_number``.
trace_option = click.option(
    "--trace",
    "trace_number",
    metavar="N",
    type=click.IntRange(min=1),
    help="Which trace of a file that holds several (one per pulse width).",
)
