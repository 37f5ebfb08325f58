"""Stock at the desk: what is on the shelves, and everything staff do to them."""
