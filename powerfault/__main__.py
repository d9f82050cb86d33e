"""Run the command line as ``python -m powerfault``."""

from powerfault.cli import main

main()
