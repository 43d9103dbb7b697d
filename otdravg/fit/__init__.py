"""The linear model of one fibre seen from both ends."""
