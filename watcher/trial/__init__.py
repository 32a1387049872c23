"""Proof: recordings with known truth replayed and scored, scenes built, the receiver measured."""
