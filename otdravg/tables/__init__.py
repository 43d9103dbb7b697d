"""Tables: what each row and column of the outputs is."""
