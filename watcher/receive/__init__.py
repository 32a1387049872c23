"""Samples to transmissions: the chain, the transmission state machine, clips."""
