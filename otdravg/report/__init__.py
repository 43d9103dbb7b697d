"""One pair, one shot, one plan, one cable: as text, JSON or a document."""
