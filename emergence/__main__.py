"""``python -m emergence``."""

from emergence.cli.main import main

main(prog_name="emergence")
