"""`python -m warmhold` is `warmhold`."""

from warmhold.cli.main import main

main()
