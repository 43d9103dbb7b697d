"""The kinds, one module for each chapter of trouble."""
