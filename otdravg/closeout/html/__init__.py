"""The closeout as one page, ``closeout.html``: opens from a memory stick, asks no network.

Template, style and scripts lie beside this file and are put into the page when it is made.
"""

from __future__ import annotations

import base64
import hashlib
from importlib import resources

from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from otdravg import __version__
from otdravg.cable.model import CableReview
from otdravg.closeout.html.content import LIST_COLUMNS, as_script_text, review_data, splice_data
from otdravg.closeout.html.traces import trace_data
from otdravg.closeout.sketches import Sketches
from otdravg.closeout.template import Template
from otdravg.system.printable import printable
from otdravg.tables.lists import listings
from otdravg.tables.marks import legend, signs_line
from otdravg.tables.scope import facts, standing, tallies, worst

__all__ = ["closeout_html", "content_hash", "packaged", "templates"]

#: Lists below the splices, in this order.
_LISTS = ("plan", "repairs", "decisions", "changes", "patterns", "spans", "findings")
#: In this order they make one script.
_SCRIPTS = ("common.js", "traces.js", "map.js", "list.js", "plot.js", "app.js")


def closeout_html(
    review: CableReview, sketches: Sketches, template: Template, evidence: str = ""
) -> bytes:
    """Return the page as UTF-8 HTML.

    Parameters
    ----------
    review : CableReview
        What was measured and judged.
    sketches : Sketches
        The shots; a splice without them is shown with its numbers alone.
    template : Template
        Whose closeout it is, and in which language.
    evidence : str
        Hash of the list of traces, tables and results.

    Notes
    -----
    The page's content security policy allows its own script and style by their SHA-256 and
    nothing else, so that no text in it can run or call out.
    """
    words = template.words
    script = '(() => {\n"use strict";\n' + "\n".join(map(packaged, _SCRIPTS)) + "\n})();\n"
    style = packaged("style.css")
    lists = listings(review, words)
    below = [lists[key] for key in _LISTS if key in lists]
    beside = facts(review, words, template.labels, template.made_on)
    if evidence:
        beside.append((words["evidence_hash"], evidence))
    verdict, says = standing(review, words)
    index = templates().get_template("index.html.j2")
    page = index.render(
        language=template.language.value,
        program=f"{words['program']} otdravg {__version__}",
        title=template.title or words["closeout"],
        cables=", ".join(review.cables),
        company=template.company,
        logo=_as_data(template),
        words=words,
        verdict=verdict.upper(),
        outcome=says,
        tallies=tallies(review, words),
        worst_heading=words["worst"],
        worst=worst(review, words),
        scope=beside,
        contents=[
            ("map", words["heat_map"]),
            ("list", words["splices"]),
            *((part.key, part.heading) for part in below),
        ],
        legend=[(mark.value, *entry) for mark, *entry in legend(template.words)],
        signs=signs_line(template.words),
        list_columns=LIST_COLUMNS,
        parts=below,
        style=Markup(style),
        style_hash=content_hash(style),
        script=Markup(script),
        script_hash=content_hash(script),
        review_data=as_script_text(review_data(review, words, template.columns)),
        splice_data=as_script_text(splice_data(review, words)),
        trace_data=as_script_text(trace_data(review, sketches)),
    )
    return page.encode("utf-8")


def _shown(value: object) -> object:
    """Make any text safe to show that is filled in: a mark in a name can turn figures round."""
    is_text = isinstance(value, str) and not isinstance(value, Markup)
    return printable(str(value)) if is_text else value


def templates() -> Environment:
    """Return the pages' templates: what is filled in is escaped, what is missing is an error."""
    return Environment(
        loader=FunctionLoader(packaged),
        autoescape=True,
        finalize=_shown,
        undefined=StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
    )


def packaged(name: str) -> str:
    """Read a file that lies beside this one."""
    return (resources.files(__name__) / name).read_text(encoding="utf-8")


def content_hash(text: str) -> str:
    """Name a script or style as a content security policy does (W3C CSP Level 3, 2.3.1)."""
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"


def _as_data(template: Template) -> str:
    """The logo as a data address; empty without one."""
    if template.logo is None:
        return ""
    content = base64.b64encode(template.logo.content).decode("ascii")
    return f"data:{template.logo.media_type};base64,{content}"
