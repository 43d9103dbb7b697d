"""Headings and labels of a closeout, and whatever else is said, in one language.

Words that are part of the results themselves (verdicts, kinds, actions, uses) are keyed by the
text that the tables hold, so that CSV and JSON stay the same in every language.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from otdravg.findings import Statement, Value
from otdravg.words.catalogue import Language, group, say, told

__all__ = ["Language", "Words"]


#: Columns whose texts are words of the program, not of a person or a measurement.
_FIXED_WORDS = frozenset(
    {"action", "action_after", "action_before", "advice", "change", "confidence", "coverage",
     "kind", "pattern", "proof", "severity", "state", "tool", "use", "verdict", "verdict_after",
     "verdict_before"}
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Words:
    """The words of one language.

    ``words["loss_db"]`` is a heading; ``words.value("over limit")`` a word of the results.
    A number is filled in by ``words["page_of"].format(page=1, pages=9)``. ``renamed`` are headings
    of somebody's own.
    """

    language: Language = Language.ENGLISH
    renamed: Mapping[str, str] = field(default_factory=dict)

    def __getitem__(self, key: str) -> str:
        return self.renamed.get(key) or group("heading", self.language)[key]

    def value(self, text: str) -> str:
        """Translate a fixed word of the results; any other text is returned as it is."""
        return group("word", self.language).get(text, text)

    def heading(self, column: str) -> str:
        """Heading of a table's column; one that has no words yet keeps its name."""
        return self.renamed.get(column) or group("heading", self.language).get(column, column)

    def cell(self, column: str, text: str) -> str:
        """Translate a text of a column, if the column holds fixed words."""
        if column == "colour":
            base, slash, turn = text.partition("/")
            return self.value(base) + slash + turn
        return self.value(text) if column in _FIXED_WORDS else text

    def counted(self, noun: str, count: int) -> str:
        """Write how many there are of something: ``counted("splices", 1)`` is "1 splice"."""
        return self[f"{noun}_1" if count == 1 else f"{noun}_n"].format(count=count)

    def loss_table_title(self, cable: str, wavelength_nm: int) -> str:
        """What a cable's loss table is headed with; a cable may be without a name."""
        title = self["loss_table"].format(wavelength_nm=wavelength_nm)
        return f"{cable}: {title}" if cable else title

    def say(self, group: str, key: str, /, **named: Value) -> str:
        """Fill in a message of the catalogue."""
        return say(group, key, self.language, **named)

    def told(self, said: Statement | tuple[Statement, ...] | None) -> str:
        """Say something in this language; nothing for ``None``."""
        whole = said if isinstance(said, tuple) else (said,) if said else ()
        return "; ".join(told(one, self.language) for one in whole)

    def decimal(self, figure: object) -> str:
        """Write a figure with the decimal sign of the language; nothing for ``None``."""
        text = "" if figure is None else str(figure)
        return text.replace(".", ",") if self.language is Language.GERMAN else text
