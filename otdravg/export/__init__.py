"""Outputs: each takes the same judged report and shows the same rounded figures."""
