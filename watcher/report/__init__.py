"""Activity reports: reads the log, never the receiver."""
