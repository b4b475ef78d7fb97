"""``python -m tests.bench``: how fast sessions are taken in."""

from tests.bench.intake import main

if __name__ == "__main__":
    main()
