"""The watch log: what was heard, what was quiet, what was not watched."""
