"""Addresses of the page, and what stands behind each: one call of the library."""

from __future__ import annotations

import io
import json
import os
import re
import tempfile
import zipfile
from collections.abc import Awaitable, Callable, Mapping
from datetime import datetime, timezone
from enum import Enum
from functools import partial
from http import HTTPStatus
from pathlib import Path
from typing import Any, TypeVar

from jinja2 import ChoiceLoader, FunctionLoader
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from otdravg import __version__
from otdravg.cable import Decision, What
from otdravg.cable.files.archive import ARCHIVE_SUFFIX
from otdravg.cable.files.folder import SUFFIX
from otdravg.closeout.closeout import write_closeout
from otdravg.closeout.html import closeout_html, packaged, templates
from otdravg.closeout.html.content import as_script_text, word_data
from otdravg.closeout.html.traces import packed_pair
from otdravg.closeout.template import Template
from otdravg.errors import BadSetting, OtdravgError, Unusable
from otdravg.findings import Statement, says
from otdravg.job.form import job_text, typed
from otdravg.job.keys import KEYS
from otdravg.job.lists import LISTS
from otdravg.job.sheet import sheet_of
from otdravg.report.cable import cable_text
from otdravg.report.document import (
    NUMBER_COLUMNS,
    facts_of,
    findings_of,
    headings_of,
    marks_of,
    rows_of,
    sentences_of,
)
from otdravg.report.pair_text import pair_line
from otdravg.report.ticket import ticket_of
from otdravg.serve.desk import Desk, Fibre, Setting
from otdravg.system.printable import printable
from otdravg.typed import metres_of
from otdravg.verdict.reading import shipped_names
from otdravg.words.catalogue import Language, say, told
from otdravg.words.headings import Words

_Kind = TypeVar("_Kind", bound=Enum)
_Thing = TypeVar("_Thing")

#: What the page sends: texts by name.
Said = Mapping[str, str]
#: Does what was asked for; what it returns is told beside the desk's state.
Work = Callable[..., Mapping[str, object] | None]

#: What a browser may send at once. Chosen, not derived: a whole day's archive of shots.
MOST_BYTES = 2 * 2**30
#: What the page may say at once. Derived: 100,000 rows of a list, 160 letters each.
_MOST_SAID = 16 * 2**20
#: Rows of one table of a list. Chosen, not derived: a browser that is shown a few of them lays the
#: others out when they are scrolled to.
_ROWS_PER_TABLE = 50
_SCRIPTS = {
    "page.js": ("ask.js", "page.js"),
    "lists.js": ("ask.js", "lists.js"),
    "fibre.js": ("common.js", "traces.js", "plot.js", "fibre.js"),
}
_HERE = Path(__file__).parent


def application(desk: Desk) -> Starlette:
    """Return the page's server application (ASGI) for what lies on a desk."""
    page = _Page(desk)
    posts: dict[str, Work] = {
        "/put-aside": page.put_aside,
        "/settings": page.settings,
        "/look": page.look,
        "/job": page.new_job,
        "/lists/{name}": page.keep_list,
        "/follow": page.follow,
        "/fibre/{number:int}/at": page.also_at,
        "/decide": page.decide,
    }
    gets = {
        "/": page.home,
        "/state": page.state,
        "/job": page.job,
        "/live": page.live,
        "/fibre/{number:int}": page.fibre,
        "/cable": page.cable,
        "/closeout.zip": page.closeout,
        "/decisions.csv": page.decisions,
        "/static/{name}": page.static,
    }
    return Starlette(
        routes=[
            Route("/files/{name:path}", page.keep, methods=["PUT"]),
            *(Route(path, page.doing(work), methods=["POST"]) for path, work in posts.items()),
            *(Route(path, show) for path, show in gets.items()),
        ],
        exception_handlers={OtdravgError: page.refuse, Exception: _fault},
    )


def _fault(request: Request, error: Exception) -> Response:
    text = f"internal fault ({type(error).__name__}: {error})"
    return JSONResponse({"error": printable(text)}, HTTPStatus.INTERNAL_SERVER_ERROR)


class _Page:
    """What each address does."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._templates = templates()
        own = FunctionLoader(lambda name: _text(name) if (_HERE / name).is_file() else None)
        assert self._templates.loader is not None
        self._templates.loader = ChoiceLoader([own, self._templates.loader])

    def _filled(self, name: str, **more: object) -> HTMLResponse:
        language = self._desk.setting.language
        word = partial(_word, language=language)
        shown = partial(_told, language=language)
        text = self._templates.get_template(name).render(
            language=language, say=word, told=shown, program=f"otdravg {__version__}", **more
        )
        return HTMLResponse(text)

    def refuse(self, request: Request, error: Exception) -> Response:
        """Say in one line what cannot be done."""
        assert isinstance(error, OtdravgError)
        text = _told(error.said, language=self._desk.setting.language)
        return JSONResponse({"error": text}, HTTPStatus.BAD_REQUEST)

    def doing(self, work: Work) -> Callable[[Request], Awaitable[Response]]:
        """Answer a request that changes something with what came of it and the desk's state."""

        async def answer(request: Request) -> Response:
            said = await _said(request)
            done = await run_in_threadpool(work, said, **request.path_params)
            return JSONResponse({**(done or {}), **self._desk.state()})

        return answer

    def home(self, request: Request) -> Response:
        """The desk: what was seen last, files, rules."""
        desk, looked = self._desk, self._desk.looked
        state = desk.state()
        language = desk.setting.language
        answers = [
            {
                "number": number, "tone": one.report.answer.value.replace(" ", "-"),
                "fibre": _name_of(one, language),
                "word": pair_line(one.report, language)[0],
                "line": printable(pair_line(one.report, language)[1]),
            }
            for number, one in enumerate(looked.fibres)
        ]  # fmt: skip
        written = [
            printable_lines(cable_text(
                looked.review, details=details, tables=say("page", "tables", language),
                more=say("page", "more-below", language), language=language,
            ))
            for details in (False, True)
            if looked.review is not None
        ]  # fmt: skip
        cables = () if looked.review is None else looked.review.cables
        remarks = () if looked.pairing is None else looked.pairing.findings
        return self._filled(
            "home.html.j2",
            state=state,
            known=as_script_text(state),
            setting=desk.setting,
            profiles=shipped_names(),
            languages=[(one.value, say("page", "in-language", one)) for one in Language],
            looked=looked.revision > 0,
            error=printable(looked.error),
            answers=answers,
            cable=written,
            the_cable=printable(cables[0]) if len(cables) == 1 else "",
            problems=[(printable(name), why) for name, why in looked.problems],
            remarks=[(printable(", ".join(one.files)), one) for one in remarks],
            given=[printable(str(path)) for path in desk.given],
            job=_shown(desk.job_file) if desk.has_job else "",
            job_faults=len(desk.job_faults()),
            follows=desk.live is not None,
            kinds=[what.value for what in What],
            decisions=_shown(desk.decisions_file),
            has_decisions=desk.decisions_file.exists(),
            trace_files=(SUFFIX, ARCHIVE_SUFFIX),
        )

    def state(self, request: Request) -> Response:
        """How far looking has come."""
        return JSONResponse(self._desk.state())

    async def keep(self, request: Request) -> Response:
        """Take a file that was dropped."""
        name = request.path_params["name"]
        is_archive = name.lower().endswith(ARCHIVE_SUFFIX)
        most = MOST_BYTES if is_archive else self._desk.size_limits.file_bytes
        content = await _body(request, most, name)
        await run_in_threadpool(self._desk.keep, name, content)
        return JSONResponse(self._desk.state())

    def put_aside(self, said: Said) -> None:
        """Forget the files that were dropped."""
        self._desk.put_aside()

    def settings(self, said: Said) -> None:
        """Take limit or profile, launch fibres, language."""
        launch_m, receive_m = (_length_m(said.get(key, "")) for key in ("launch", "receive"))
        language = _one_of(Language, said.get("language", Language.ENGLISH.value), "language")
        self._desk.set(
            Setting(
                _point(said.get("limit", "")), said.get("profile", ""), launch_m, receive_m,
                language,
            )
        )  # fmt: skip

    def look(self, said: Said) -> None:
        """Begin to measure and judge what lies on the desk."""
        self._desk.start()

    def job(self, request: Request) -> Response:
        """The job and its lists, to be filled in."""
        file = self._desk.job_file
        has_job = file.is_file()
        return self._filled(
            "lists.html.j2",
            file=_shown(file),
            keys=KEYS,
            job_text=printable_lines(file.read_text("utf-8", "replace")) if has_job else None,
            sheets=[sheet_of(own, file) for own in LISTS] if has_job else (),
            per_table=_ROWS_PER_TABLE,
            faults=[one.said for one in self._desk.job_faults()],
        )

    def new_job(self, said: Said) -> None:
        """Write a job down; what could not be read is not written."""
        values = {key.path: typed(key, said[key.path]) for key in KEYS if said.get(key.path)}
        self._desk.write_job(job_text(values))

    def keep_list(self, said: Said, name: str) -> None:
        """Write a list of the job as it was typed; its faults are said by the page."""
        own = next((one for one in LISTS if one.name == name), None)
        if own is None:
            raise _gone()
        self._desk.keep_list(own, _rows(said.get("rows", "")), said.get("stamp", ""))

    def live(self, request: Request) -> Response:
        """What the folder that is followed says."""
        return JSONResponse(_there(self._desk.live).state())

    def follow(self, said: Said) -> None:
        """Begin to follow the folder that was named, or end it."""
        if said.get("follow", "") == "yes":
            self._desk.follow()
        else:
            self._desk.stop_following()

    def _fibre(self, number: int) -> Fibre:
        fibres = self._desk.looked.fibres
        return _there(fibres[number] if number < len(fibres) else None)

    def fibre(self, request: Request) -> Response:
        """One fibre: the ticket, both shots, all losses."""
        number = request.path_params["number"]
        found = self._fibre(number)
        language = self._desk.setting.language
        report = found.report
        measurement = report.measurement
        key = printable(found.pair.key.cable), found.pair.key.fibre, found.pair.wavelength_nm
        place = "/".join(map(str, key))
        shots = {place: packed_pair(found.sketch(), measurement.attenuation_db_per_km)}
        words = word_data(Words(language)) | {
            "values": {}, "row": dict(zip(("cable", "fibre", "wavelength_nm"), key, strict=True)),
        }  # fmt: skip
        return self._filled(
            "fibre.html.j2",
            number=number,
            title=_name_of(found, language),
            ticket=ticket_of(report, language),
            picture="",
            words=Words(language),
            facts=[(label, printable(text)) for label, text in facts_of(report, language)],
            steps=[printable(text) for text in sentences_of(report, language)],
            findings=[printable(text) for text in findings_of(report, language)],
            page_data=as_script_text(words),
            trace_data=as_script_text(shots),
            **self._losses(found),
        )

    def _losses(self, found: Fibre) -> dict[str, Any]:
        language, report = self._desk.setting.language, found.report
        return {
            "headings": headings_of(language),
            "numbers": NUMBER_COLUMNS,
            "rows": rows_of(report, language),
            "marks": marks_of(report),
            "places_m": [round(one.reading.distance_m, 1) for one in report.splices],
        }

    def also_at(self, said: Said, number: int) -> dict[str, object]:
        """Measure at one more place; the table anew."""
        self._fibre(number)
        at_m = _length_m(said.get("at", ""))
        if at_m is None:
            raise BadSetting("at", said.get("at", ""), says("say-distance"))
        found = self._desk.also_at(number, at_m)
        losses = self._filled("losses.html.j2", **self._losses(found))
        word, line = pair_line(found.report, self._desk.setting.language)
        body = bytes(losses.body).decode("utf-8")
        return {"table": body, "answer": f"{word}: {printable(line)}"}

    def cable(self, request: Request) -> Response:
        """The page of the closeout."""
        looked = self._desk.looked
        template = Template(language=self._desk.setting.language)
        content = closeout_html(_there(looked.review), looked.sketches, template)
        # Its own policy stands in it: this script and this style, and nothing else.
        return Response(
            content, media_type="text/html",
            headers={"Content-Security-Policy": "frame-ancestors 'self'"},
        )  # fmt: skip

    def closeout(self, request: Request) -> Response:
        """The whole closeout as an archive."""
        looked = self._desk.looked
        packed = io.BytesIO()
        with tempfile.TemporaryDirectory() as folder:
            target = Path(folder) / "closeout"
            template = Template(language=self._desk.setting.language)
            write_closeout(
                _there(looked.review), target, template=template, sketches=looked.sketches
            )
            with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
                for path in sorted(target.rglob("*")):
                    archive.write(path, path.relative_to(target.parent).as_posix())
        name = f"closeout-{datetime.now(timezone.utc):%Y-%m-%d}.zip"
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(packed.getvalue(), media_type="application/zip", headers=headers)

    def decide(self, said: Said) -> dict[str, object]:
        """Add a decision, sealed."""
        now = datetime.now(timezone.utc).isoformat(timespec="seconds")
        if not said.get("who") or not said.get("why"):
            raise BadSetting("decide", said.get("what", ""), says("say-who-decides"))
        decision = Decision(
            _one_of(What, said.get("what", ""), "what"),
            said["who"], now, said["why"], said.get("cable", ""),
            _count(said, "fibre"), _count(said, "wavelength_nm"),
            said.get("closure", ""), said.get("file", ""), said.get("value", ""),
        )  # fmt: skip
        return {"seal": self._desk.decide(decision)}

    def decisions(self, request: Request) -> Response:
        """The file of decisions."""
        if not self._desk.decisions_file.exists():
            raise _gone()
        headers = {"Content-Disposition": 'attachment; filename="decisions.csv"'}
        content = self._desk.decisions_file.read_bytes()
        return Response(content, media_type="text/csv; charset=utf-8", headers=headers)

    def static(self, request: Request) -> Response:
        """Style and scripts: the closeout's, and the few of this page."""
        name = request.path_params["name"]
        if name == "style.css":
            return Response(packaged(name) + _text("page.css"), media_type="text/css")
        if name not in _SCRIPTS:
            raise _gone()
        parts = [_text(one) if (_HERE / one).is_file() else packaged(one) for one in _SCRIPTS[name]]
        script = '(() => {\n"use strict";\n' + "\n".join(parts) + "\n})();\n"
        return Response(script, media_type="text/javascript")


def _gone() -> HTTPException:
    return HTTPException(HTTPStatus.NOT_FOUND, "Nothing is here (any more).")


def _there(thing: _Thing | None) -> _Thing:
    """Take what an address is of; it is not found where there is none."""
    if thing is None:
        raise _gone()
    return thing


def _text(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")


def _word(key: str, *, language: Language, **named: Any) -> str:
    return say("page", key, language, **named)


def _told(said: Statement, *, language: Language) -> str:
    return printable(told(said, language))


def _name_of(one: Fibre, language: Language) -> str:
    fibre = say("pair", "fibre", language, fibre=str(one.pair.key.fibre))
    if one.pair.key.cable:
        fibre = say("pair", "of-cable", language, cable=one.pair.key.cable, fibre=fibre)
    return printable(f"{fibre}, {one.pair.wavelength_nm} nm")


def _shown(file: Path) -> str:
    """Where a file lies: who started the page with a double-click knows no folder it runs in."""
    return printable(os.path.abspath(file))


def printable_lines(text: str) -> str:
    """Make a text of several lines safe to show, its lines kept."""
    return "\n".join(map(printable, text.splitlines()))


async def _body(request: Request, most: int, name: str) -> bytes:
    """Read what the page sends.

    Raises
    ------
    BadSetting
        As soon as it is larger than it may be.
    """
    pieces, size = [], 0
    async for piece in request.stream():
        pieces.append(piece)
        size += len(piece)
        if size > most:
            raise BadSetting("file", name, says("larger-than", most=most // 2**20))
    return b"".join(pieces)


async def _said(request: Request) -> Said:
    """Texts that the page sends, by name.

    Raises
    ------
    BadSetting
        If it is anything else.
    """
    try:
        said = json.loads(await _body(request, _MOST_SAID, request.url.path))
    except ValueError:
        said = None
    if not isinstance(said, dict) or not all(isinstance(text, str) for text in said.values()):
        raise BadSetting("request", None, says("page-sends-texts"))
    return {name: text.strip() for name, text in said.items()}


def _rows(text: str) -> list[list[str]]:
    """Rows of a list that the page sends, as JSON.

    Raises
    ------
    BadSetting
        If it is anything else.
    """
    try:
        rows = json.loads(text)
    except ValueError:
        rows = None
    if not isinstance(rows, list) or not all(
        isinstance(row, list) and all(isinstance(cell, str) for cell in row) for row in rows
    ):
        raise BadSetting("rows", None, says("page-sends-rows"))
    return rows


def _point(text: str) -> str:
    """Put a point where somebody typed the comma of a figure: ``0,15`` has one meaning only."""
    return re.sub(r"^(\d+),(\d)", r"\1.\2", text)


def _length_m(text: str) -> float | None:
    try:
        return metres_of(_point(text)) if text else None
    except Unusable as error:
        raise BadSetting("length", text, error.said) from None


def _one_of(kinds: type[_Kind], text: str, key: str) -> _Kind:
    """Find the member that a text of the page names."""
    try:
        return kinds(text)
    except ValueError:
        known = ", ".join(str(kind.value) for kind in kinds)
        raise BadSetting(key, text, says("known-are", known=known)) from None


def _count(said: Said, key: str) -> int | None:
    text = said.get(key, "")
    if text and not (text.isascii() and text.isdigit()):
        raise BadSetting(key, text, says("whole-number"))
    return int(text) if text else None
