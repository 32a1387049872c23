"""The watch: plans, radios and recordings, receiving, the log, reports and the command line."""
