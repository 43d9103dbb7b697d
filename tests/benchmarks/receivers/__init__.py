"""Accuracy with any receiver: a benchmark that shares nothing with the package's own model."""
