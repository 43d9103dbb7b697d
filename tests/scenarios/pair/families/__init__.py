"""The kinds of case, one module for each chapter of the trade's troubles."""
