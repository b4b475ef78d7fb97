"""``python -m tests.bench``: how fast sessions are taken in."""

from tests.bench.intake import main

main()
