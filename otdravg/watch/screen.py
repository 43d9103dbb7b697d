"""An answer of a watch on a terminal, as lines for programs, and as a text to send."""

from __future__ import annotations

import json
from collections.abc import Sequence

from otdravg.report.page import Page, Tone
from otdravg.watch.events import Event, Kind, progress_text, ribbon_lines
from otdravg.watch.watch import Answer
from otdravg.words.headings import Words
from otdravg.words.statements import caution_statement

_TONES = {
    Kind.LOOK: Tone.LOOK,
    Kind.BACK: Tone.LOOK,
    Kind.OPEN: Tone.LOOK,
    Kind.CUT: Tone.BAD,
    Kind.SHUT: Tone.GOOD,
    Kind.PROGRESS: None,
}
#: Findings of the files that are shown of one answer.
_LOOKS_SHOWN = 6


def answer_text(answer: Answer, words: Words, *, everything: bool, when: str, page: Page) -> str:
    """Write an answer: how far each ribbon is, then what to do, the most urgent last.

    Parameters
    ----------
    answer : Answer
    words : Words
        Of the language of the watch.
    everything : bool
        All that stands, in place of what is news.
    when : str
        Time of day, to stand in the rule above; empty: no rule.
    page : Page
        An empty page that knows the terminal.
    """
    events = answer.events if everything else answer.news
    if when:
        page.line(f"-- {when} {'-' * (page.columns - len(when) - 4)}")
    for line in ribbon_lines(events, words):
        page.bullet(line)
    _rest(events, page, words)
    if answer.review is None:
        page.line(words.say("watch", "none-complete"))
    if answer.settling:
        page.line(words.say("watch", "settling", files=answer.settling))
    if answer.trouble:
        page.entry(words.say("watch", "label-away"), answer.trouble, Tone.LOOK)
    return page.text()


def _rest(events: Sequence[Event], page: Page, words: Words) -> None:
    """What is to be done, in the order of urgency, with the warning before anybody cuts."""
    looks = [e for e in events if e.kind is Kind.LOOK]
    for event in looks[:_LOOKS_SHOWN]:
        _entry(event, page, words)
    if len(looks) > _LOOKS_SHOWN:
        more = words.say("watch", "more-looks", more=len(looks) - _LOOKS_SHOWN)
        page.entry(words.say("watch", "label-look"), more)
    for kind in (Kind.PROGRESS, Kind.BACK, Kind.SHUT, Kind.OPEN, Kind.CUT):
        own = [e for e in events if e.kind is kind]
        if own and kind is Kind.CUT:
            page.paragraph(_before_cutting(words))
        for event in own:
            _entry(event, page, words)


def _before_cutting(words: Words) -> str:
    return words.say("watch", "before-cutting", caution=caution_statement(words.language))


def _entry(event: Event, page: Page, words: Words) -> None:
    label, tone = words.say("watch", f"label-{event.kind.value}"), _TONES[event.kind]
    where = event.values.get("where")
    page.entry(label, f"{event.text}{f' [{where}]' if where else ''}", tone)


def summary_text(answer: Answer, page: Page, words: Words) -> str:
    """Write what stands as a short text to send at the end of the day."""
    for cable in answer.status:
        proved = [c for c in cable.closures if c.hold is None]
        name = words.say("cable", "cable", name=cable.cable or words.say("cable", "nameless"))
        page.paragraph(f"{name[:1].upper()}{name[1:]}: {progress_text(cable, words)}.")
        page.paragraph(
            words.say("watch", "proved", proved=len(proved), closures=len(cable.closures))
        )
    if looks := sum(e.kind is Kind.LOOK for e in answer.events):
        page.paragraph(words.say("watch", "looks", findings=looks))
    for kind in (Kind.SHUT, Kind.OPEN, Kind.CUT):
        for event in (e for e in answer.events if e.kind is kind):
            page.bullet(event.text)
    if any(e.kind is Kind.CUT for e in answer.events):
        page.paragraph(_before_cutting(words))
    if not answer.status:
        page.line(words.say("watch", "none-complete"))
    return page.text()


def json_lines(answer: Answer, *, everything: bool) -> str:
    """Write an answer as JSON lines, an event each; ``new`` tells what had not been said."""
    news = set(map(id, answer.news))
    back = [e for e in answer.news if e.kind is Kind.BACK]
    lines: list[dict[str, object]] = [
        {"event": e.kind.value, "key": e.key, "text": e.text, "new": id(e) in news, **e.values}
        for e in ([*answer.events, *back] if everything else answer.news)
    ]
    looked = {"settling": answer.settling, "trouble": answer.trouble, "proved": answer.is_proved}
    lines.append({"event": "looked", **looked})
    return "".join(json.dumps(line, ensure_ascii=True) + "\n" for line in lines)
