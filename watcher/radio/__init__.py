"""Where samples come from: recordings now, radios later; one protocol."""
