"""`python -m watcher.cli` is `midwatch`."""

from watcher.cli import main

main()
