"""Every fibre at every closure."""
