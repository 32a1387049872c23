"""Standing a watch: samples through the receiver into clips and the log."""
