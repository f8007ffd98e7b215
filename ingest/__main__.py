"""`python -m ingest` is the same as `ingest`."""

from ingest.cli.main import entry

if __name__ == "__main__":
    entry()
