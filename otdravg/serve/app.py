"""Addresses of the page, and what stands behind each: one call of the library."""

from __future__ import annotations

import io
import json
import os
import re
import tempfile
import zipfile
from collections.abc import Mapping
from datetime import datetime, timezone
from enum import Enum
from functools import partial
from http import HTTPStatus
from pathlib import Path
from typing import Any, TypeVar

from jinja2 import ChoiceLoader, FunctionLoader
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response
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
from otdravg.errors import BadSetting, OtdravgError
from otdravg.job.form import job_text, typed
from otdravg.job.keys import KEYS
from otdravg.job.lists import LISTS
from otdravg.job.sheet import sheet_of
from otdravg.quantities import metres_of
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
from otdravg.verdict.reading import shipped_names
from otdravg.words.catalogue import Language, say, told
from otdravg.words.headings import Words

__all__ = ["application"]

_Kind = TypeVar("_Kind", bound=Enum)

#: What a browser may send at once. Chosen, not derived: a whole day's archive of shots.
MOST_BYTES = 2 * 2**30
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
    return Starlette(
        routes=[
            Route("/", page.home),
            Route("/state", page.state),
            Route("/files/{name:path}", page.keep, methods=["PUT"]),
            Route("/put-aside", page.put_aside, methods=["POST"]),
            Route("/settings", page.settings, methods=["POST"]),
            Route("/look", page.look, methods=["POST"]),
            Route("/job", page.job),
            Route("/job", page.new_job, methods=["POST"]),
            Route("/lists/{name}", page.keep_list, methods=["POST"]),
            Route("/live", page.live),
            Route("/follow", page.follow, methods=["POST"]),
            Route("/fibre/{number:int}", page.fibre),
            Route("/fibre/{number:int}/at", page.also_at, methods=["POST"]),
            Route("/cable", page.cable),
            Route("/closeout.zip", page.closeout),
            Route("/decide", page.decide, methods=["POST"]),
            Route("/decisions.csv", page.decisions),
            Route("/static/{name}", page.static),
        ],
        exception_handlers={OtdravgError: _one_line, Exception: _fault},
    )


def _one_line(request: Request, error: Exception) -> Response:
    return JSONResponse({"error": printable(str(error))}, HTTPStatus.BAD_REQUEST)


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
        text = self._templates.get_template(name).render(
            language=language, say=word, program=f"otdravg {__version__}", **more
        )
        return HTMLResponse(text)

    async def home(self, request: Request) -> Response:
        """The desk: what was seen last, files, rules."""
        return await run_in_threadpool(self._home)

    def _home(self) -> Response:
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
            problems=[
                (printable(name), printable(told(why, language))) for name, why in looked.problems
            ],
            remarks=[
                (
                    printable(", ".join(one.files)),
                    printable(f"{told(one.evidence, language)}; {told(one.what_to_do, language)}."),
                )
                for one in remarks
            ],
            given=[printable(str(path)) for path in desk.given],
            job=_shown(desk.job_file) if desk.has_job else "",
            job_faults=len(desk.job_faults()),
            follows=desk.live is not None,
            kinds=[what.value for what in What],
            decisions=_shown(desk.decisions_file),
            has_decisions=desk.decisions_file.exists(),
            trace_files=(SUFFIX, ARCHIVE_SUFFIX),
        )

    async def state(self, request: Request) -> Response:
        """How far looking has come."""
        return JSONResponse(self._desk.state())

    async def keep(self, request: Request) -> Response:
        """Take a file that was dropped."""
        name = request.path_params["name"]
        is_archive = name.lower().endswith(ARCHIVE_SUFFIX)
        most = MOST_BYTES if is_archive else self._desk.size_limits.file_bytes
        content = bytearray()
        async for piece in request.stream():
            content += piece
            if len(content) > most:
                raise BadSetting("file", name, f"larger than {most // 2**20} MiB")
        await run_in_threadpool(self._desk.keep, name, bytes(content))
        return JSONResponse(self._desk.state())

    async def put_aside(self, request: Request) -> Response:
        """Forget the files that were dropped."""
        await run_in_threadpool(self._desk.put_aside)
        return JSONResponse(self._desk.state())

    async def settings(self, request: Request) -> Response:
        """Take limit or profile, launch fibres, language."""
        said = await _said(request)
        lengths = [said.get(key, "") for key in ("launch", "receive")]
        launch_m, receive_m = (_length_m(text) for text in lengths)
        language = _one_of(Language, said.get("language", Language.ENGLISH.value), "language")
        setting = Setting(
            _point(said.get("limit", "")), said.get("profile", ""), launch_m, receive_m, language
        )
        await run_in_threadpool(self._desk.set, setting)
        return JSONResponse(self._desk.state())

    async def look(self, request: Request) -> Response:
        """Begin to measure and judge what lies on the desk."""
        self._desk.start()
        return JSONResponse(self._desk.state(), HTTPStatus.ACCEPTED)

    async def job(self, request: Request) -> Response:
        """The job and its lists, to be filled in."""
        return await run_in_threadpool(self._job)

    def _job(self) -> Response:
        file = self._desk.job_file
        has_job = file.is_file()
        return self._filled(
            "lists.html.j2",
            file=_shown(file),
            keys=KEYS,
            job_text=printable_lines(file.read_text("utf-8", "replace")) if has_job else None,
            sheets=[sheet_of(own, file) for own in LISTS] if has_job else (),
            per_table=_ROWS_PER_TABLE,
            faults=[printable(str(one)) for one in self._desk.job_faults()],
        )

    async def new_job(self, request: Request) -> Response:
        """Write a job down; what could not be read is not written."""
        said = await _said(request)
        values = {key.path: typed(key, said[key.path]) for key in KEYS if said.get(key.path)}
        await run_in_threadpool(self._desk.write_job, job_text(values))
        return JSONResponse(self._desk.state())

    async def keep_list(self, request: Request) -> Response:
        """Write a list of the job as it was typed; its faults are said by the page."""
        said = await _said(request)
        own = next((one for one in LISTS if one.name == request.path_params["name"]), None)
        if own is None:
            return _gone()
        await run_in_threadpool(
            self._desk.keep_list, own, _rows(said.get("rows", "")), said.get("stamp", "")
        )
        return JSONResponse(self._desk.state())

    async def live(self, request: Request) -> Response:
        """What the folder that is followed says."""
        live = self._desk.live
        return _gone() if live is None else JSONResponse(live.state())

    async def follow(self, request: Request) -> Response:
        """Begin to follow the folder that was named, or end it."""
        said = await _said(request)
        begin = said.get("follow", "") == "yes"
        await run_in_threadpool(self._desk.follow if begin else self._desk.stop_following)
        return JSONResponse(self._desk.state())

    def _fibre_of(self, request: Request) -> Fibre | None:
        number = request.path_params["number"]
        fibres = self._desk.looked.fibres
        return fibres[number] if number < len(fibres) else None

    async def fibre(self, request: Request) -> Response:
        """One fibre: the ticket, both shots, all losses."""
        found = self._fibre_of(request)
        if found is None:
            return _gone()
        return await run_in_threadpool(self._fibre, request.path_params["number"], found)

    def _fibre(self, number: int, found: Fibre) -> Response:
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

    async def also_at(self, request: Request) -> Response:
        """Measure at one more place; the table anew."""
        if self._fibre_of(request) is None:
            return _gone()
        said = await _said(request)
        at_m = _length_m(said.get("at", ""))
        if at_m is None:
            raise BadSetting("at", said.get("at", ""), "say a distance from A, as in 1.25km")
        number = request.path_params["number"]
        found = await run_in_threadpool(self._desk.also_at, number, at_m)
        losses = self._filled("losses.html.j2", **self._losses(found))
        word, line = pair_line(found.report, self._desk.setting.language)
        body = bytes(losses.body).decode("utf-8")
        return JSONResponse({"table": body, "answer": f"{word}: {printable(line)}"})

    async def cable(self, request: Request) -> Response:
        """The page of the closeout."""
        looked = self._desk.looked
        if looked.review is None:
            return _gone()
        template = Template(language=self._desk.setting.language)
        content = await run_in_threadpool(closeout_html, looked.review, looked.sketches, template)
        # Its own policy stands in it: this script and this style, and nothing else.
        return Response(
            content, media_type="text/html",
            headers={"Content-Security-Policy": "frame-ancestors 'self'"},
        )  # fmt: skip

    async def closeout(self, request: Request) -> Response:
        """The whole closeout as an archive."""
        looked = self._desk.looked
        if looked.review is None:
            return _gone()
        content = await run_in_threadpool(self._packed)
        name = f"closeout-{datetime.now(timezone.utc):%Y-%m-%d}.zip"
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(content, media_type="application/zip", headers=headers)

    def _packed(self) -> bytes:
        looked = self._desk.looked
        assert looked.review is not None
        packed = io.BytesIO()
        with tempfile.TemporaryDirectory() as folder:
            target = Path(folder) / "closeout"
            template = Template(language=self._desk.setting.language)
            write_closeout(looked.review, target, template=template, sketches=looked.sketches)
            with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
                for path in sorted(target.rglob("*")):
                    archive.write(path, path.relative_to(target.parent).as_posix())
        return packed.getvalue()

    async def decide(self, request: Request) -> Response:
        """Add a decision, sealed."""
        said = await _said(request)
        now = datetime.now(timezone.utc).isoformat(timespec="seconds")
        if not said.get("who") or not said.get("why"):
            raise BadSetting("decide", said.get("what", ""), "say who decides and why")
        decision = Decision(
            _one_of(What, said.get("what", ""), "what"),
            said["who"], now, said["why"], said.get("cable", ""),
            _count(said, "fibre"), _count(said, "wavelength_nm"),
            said.get("closure", ""), said.get("file", ""), said.get("value", ""),
        )  # fmt: skip
        seal = await run_in_threadpool(self._desk.decide, decision)
        return JSONResponse({"seal": seal, **self._desk.state()})

    async def decisions(self, request: Request) -> Response:
        """The file of decisions."""
        if not self._desk.decisions_file.exists():
            return _gone()
        headers = {"Content-Disposition": 'attachment; filename="decisions.csv"'}
        content = self._desk.decisions_file.read_bytes()
        return Response(content, media_type="text/csv; charset=utf-8", headers=headers)

    async def static(self, request: Request) -> Response:
        """Style and scripts: the closeout's, and the few of this page."""
        name = request.path_params["name"]
        if name == "style.css":
            return Response(packaged(name) + _text("page.css"), media_type="text/css")
        if name not in _SCRIPTS:
            return _gone()
        parts = [_text(one) if (_HERE / one).is_file() else packaged(one) for one in _SCRIPTS[name]]
        script = '(() => {\n"use strict";\n' + "\n".join(parts) + "\n})();\n"
        return Response(script, media_type="text/javascript")


def _gone() -> Response:
    return PlainTextResponse("Nothing is here (any more).\n", HTTPStatus.NOT_FOUND)


def _text(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")


def _word(key: str, *, language: Language, **named: Any) -> str:
    return say("page", key, language, **named)


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


async def _said(request: Request) -> Mapping[str, str]:
    """Texts that the page sends, by name.

    Raises
    ------
    BadSetting
        If it is anything else.
    """
    try:
        said = await request.json()
    except ValueError:
        said = None
    if not isinstance(said, dict) or not all(isinstance(text, str) for text in said.values()):
        raise BadSetting("request", None, "the page sends texts by name")
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
        raise BadSetting("rows", None, "the page sends rows of texts")
    return rows


def _point(text: str) -> str:
    """Put a point where somebody typed the comma of a figure: ``0,15`` has one meaning only."""
    return re.sub(r"^(\d+),(\d)", r"\1.\2", text)


def _length_m(text: str) -> float | None:
    try:
        return metres_of(_point(text)) if text else None
    except ValueError as error:
        raise BadSetting("length", text, str(error)) from None


def _one_of(kinds: type[_Kind], text: str, key: str) -> _Kind:
    """Find the member that a text of the page names."""
    try:
        return kinds(text)
    except ValueError:
        known = ", ".join(str(kind.value) for kind in kinds)
        raise BadSetting(key, text, f"known are {known}") from None


def _count(said: Mapping[str, str], key: str) -> int | None:
    text = said.get(key, "")
    if text and not (text.isascii() and text.isdigit()):
        raise BadSetting(key, text, "a whole number")
    return int(text) if text else None
