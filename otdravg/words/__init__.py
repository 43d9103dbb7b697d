"""Headings and sentences of the outputs, in every language."""

from otdravg.words.catalogue import Language, done, sentence, told

__all__ = ["Language", "done", "sentence", "told"]
