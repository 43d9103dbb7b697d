"""Words that only the printed closeout and the page need, in every language of a closeout."""

from __future__ import annotations

from dataclasses import dataclass

from otdravg.findings import Statement
from otdravg.words.headings import Language, Words

__all__ = ["PAGE_WORDS", "PageWords"]

PAGE_WORDS: dict[Language, dict[str, str]] = {
    Language.ENGLISH: {
        "as_planned": "As planned",
        "attempts_of": "Attempts seen",
        "bend_checked": "Bend check",
        "bend_none": "none seen",
        "bend_of": "Bend",
        "bend_seen": "fibre {fibres}",
        "closed_on": "Closed on",
        "closure_sheets": "Closure by closure",
        "closure_sheets_note": "As planned beside as found. Bends are checked after closing; what "
        "no list says is written by hand. Signs as in the loss tables.",
        "mean_of": "Mean, dB",
        "measured_of": "Measured",
        "place_in_closure": "Where",
        "runs_through": "runs through",
        "some_of": "{count} of {span}",
        "spliced_on": "Spliced on",
        "straight": "straight",
        "turned_over": "turned over",
        "worst_of": "worst, dB",
        "advice_only": "The plan advises; people decide.",
        "box_cut": "cut",
        "box_dressed": "re-dressed",
        "box_spliced": "spliced",
        "box_tray": "in tray",
        "loss_by_wavelength": "Loss ± U by wavelength (nm), dB",
        "exception_pictures": "Splices that ask for something",
        "chance_note": "{fibres} fibres are cut and spliced again with this ribbon.",
        "console_no_unpack": "This browser cannot unpack the traces; every number is here.",
        "difference_note": "The fibre's own attenuation is taken out: the line falls by each loss.",
        "empty_list": "No splice answers to this choice.",
        "fibres_hint": "such as 1-12, 30",
        "in_every_row": "The same in every row:",
        "help_map": "Arrow keys move over the map, Enter opens a splice.",
        "help_plot": "Drag to zoom; after a click the wheel zooms too; double click for the whole "
        "span. Keys: + and − zoom, arrows move the cursor, Shift with arrows moves the view, "
        "0 shows the whole span.",
        "limit_word": "Limit",
        "list_of": "{first} to {last} of {count}",
        "loss_between_closures": "Fibre {fibre}, between closures",
        "loss_of_cell": "Fibre {fibre}, closure {closure}",
        "move_left": "Move left",
        "move_right": "Move right",
        "near_splice": "Both shots near the splice",
        "next": "Next",
        "no_trace": "The shots of this fibre are not in this file.",
        "not_shown": "Reflections may leave the frame.",
        "overview": "Overview",
        "patterns": "What stands out",
        "previous": "Previous",
        "print": "Print",
        "ranked_more": "{shown} largest of {count}",
        "site_caution": "Before cutting: note the readings of all fibres of the ribbon, and make "
        "sure that none of them is in service. After: shoot all of them from both ends.",
        "spelt_note": "Letters that cannot be set on this paper are written as their numbers, "
        "\\u and four digits; the page and the tables show them.",
        "skip": "To the splices",
        "spans": "Fibres as a whole",
        "span_mean": "Mean of its splices, dB",
        "attenuation": "Attenuation, dB/km",
        "splice_count": "Splices",
        "span_length": "Length, m",
        "splices": "Splices",
        "step_note": "The step at the splice is the backscatter difference: one end adds it, "
        "the other takes it away.",
        "table_u_note": "U: largest in the row (k = 2).",
        "u_largest": "U, dB",
        "where_to_look": "Where to look",
        "choose_splice": "Choose a splice in the map or the list to see its shots.",
        "one_splice": "One splice",
        "clear": "Clear",
        "cutting": "{count} of {total}",
        "skipped_pictures": "No picture: the trace files were not at hand.",
        "changed_only": "Only splices that read otherwise since they were shot again. All {count} "
        "that were measured more than once stand in attempts.csv.",
        "one_way_exceptions": "Exceptions not measured from both ends",
        "one_way_pictures": "A loss, and a picture of it, take the shots from both ends.",
    },
    Language.GERMAN: {
        "as_planned": "Wie geplant",
        "attempts_of": "Versuche",
        "bend_checked": "Biegeprüfung",
        "bend_none": "keine erkannt",
        "bend_of": "Biegung",
        "bend_seen": "Faser {fibres}",
        "closed_on": "Verschlossen am",
        "closure_sheets": "Muffe für Muffe",
        "closure_sheets_note": "Wie geplant neben wie vorgefunden. Biegungen werden nach dem "
        "Verschließen geprüft; was keine Liste sagt, wird von Hand eingetragen. Zeichen wie in den "
        "Dämpfungstabellen.",
        "mean_of": "Mittel, dB",
        "measured_of": "Gemessen",
        "place_in_closure": "Wo",
        "runs_through": "geht durch",
        "some_of": "{count} von {span}",
        "spliced_on": "Gespleißt am",
        "straight": "gerade",
        "turned_over": "gedreht",
        "worst_of": "schlechteste, dB",
        "advice_only": "Der Plan rät; Menschen entscheiden.",
        "box_cut": "getrennt",
        "box_dressed": "neu abgelegt",
        "box_spliced": "gespleißt",
        "box_tray": "abgelegt",
        "loss_by_wavelength": "Dämpfung ± U je Wellenlänge (nm), dB",
        "exception_pictures": "Spleiße, die etwas verlangen",
        "chance_note": "{fibres} Fasern werden mit diesem Bändchen getrennt und neu gespleißt.",
        "console_no_unpack": "Dieser Browser kann die Messkurven nicht entpacken; alle Zahlen "
        "sind da.",
        "difference_note": "Die Dämpfung der Faser ist abgezogen: Die Linie fällt um jede wahre "
        "Dämpfung.",
        "empty_list": "Kein Spleiß entspricht dieser Auswahl.",
        "fibres_hint": "etwa 1-12, 30",
        "in_every_row": "In jeder Zeile gleich:",
        "help_map": "Pfeiltasten bewegen sich über die Karte, Eingabe öffnet einen Spleiß.",
        "help_plot": "Ziehen vergrößert, nach einem Klick auch das Rad; Doppelklick zeigt die "
        "ganze Strecke. Tasten: + und − vergrößern und verkleinern, Pfeile bewegen die "
        "Ablesemarke, Umschalt mit Pfeilen den Ausschnitt, 0 zeigt die ganze Strecke.",
        "limit_word": "Grenzwert",
        "list_of": "{first} bis {last} von {count}",
        "loss_between_closures": "Faser {fibre}, zwischen Muffen",
        "loss_of_cell": "Faser {fibre}, Muffe {closure}",
        "move_left": "Nach links",
        "move_right": "Nach rechts",
        "near_splice": "Beide Messungen nahe am Spleiß",
        "next": "Weiter",
        "no_trace": "Die Messungen dieser Faser sind nicht in dieser Datei.",
        "not_shown": "Reflexionen können aus dem Rahmen laufen.",
        "overview": "Überblick",
        "patterns": "Auffälliges",
        "previous": "Zurück",
        "print": "Drucken",
        "ranked_more": "die {shown} größten von {count}",
        "site_caution": "Vor dem Trennen: Werte aller Fasern des Bändchens notieren und "
        "sicherstellen, dass keine in Betrieb ist. Danach: alle von beiden Enden messen.",
        "spelt_note": "Buchstaben, die auf diesem Papier nicht zu setzen sind, stehen als ihre "
        "Nummer da, \\u und vier Stellen; Seite und Tabellen zeigen sie.",
        "skip": "Zu den Spleißen",
        "spans": "Fasern im Ganzen",
        "span_mean": "Mittel ihrer Spleiße, dB",
        "attenuation": "Dämpfung, dB/km",
        "splice_count": "Spleiße",
        "span_length": "Länge, m",
        "splices": "Spleiße",
        "step_note": "Die Stufe am Spleiß ist die Rückstreudifferenz: ein Ende zählt sie dazu, das "
        "andere zieht sie ab.",
        "table_u_note": "U: größte der Zeile (k = 2).",
        "u_largest": "U, dB",
        "where_to_look": "Wo zu suchen ist",
        "choose_splice": "Ein Spleiß in der Karte oder der Liste zeigt seine Messungen.",
        "one_splice": "Ein Spleiß",
        "clear": "Leeren",
        "cutting": "{count} von {total}",
        "skipped_pictures": "Kein Bild: Die Messdateien lagen nicht vor.",
        "changed_only": "Nur Spleiße, deren Dämpfung sich seit der ersten Messung geändert hat. "
        "Alle {count}, die mehrmals gemessen wurden, stehen in attempts.csv.",
        "one_way_exceptions": "Ausnahmen, nicht von beiden Enden gemessen",
        "one_way_pictures": "Zu einer Dämpfung und ihrem Bild gehören Messungen von beiden Enden.",
    },
}


@dataclass(frozen=True, slots=True)
class PageWords:
    """The words of a closeout and, beside them, those of its pages."""

    words: Words

    def __getitem__(self, key: str) -> str:
        own = PAGE_WORDS[self.words.language].get(key)
        return self.words[key] if own is None else own

    def value(self, text: str) -> str:
        """Translate a fixed word of the results."""
        return self.words.value(text)

    def cell(self, column: str, text: str) -> str:
        """Translate a text of a column, if the column holds fixed words."""
        return self.words.cell(column, text)

    def told(self, said: Statement | tuple[Statement, ...] | None) -> str:
        """Say something in this language; nothing for ``None``."""
        return self.words.told(said)

    def decimal(self, figure: object) -> str:
        """Write a figure with the decimal sign of the language; nothing for ``None``."""
        return self.words.decimal(figure)
