"""Run the command line with ``python -m warmhold.cli``."""

from warmhold.cli.main import main

main()
