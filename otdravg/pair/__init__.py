"""Two shots of one fibre: one axis, its places, the true loss at each."""
