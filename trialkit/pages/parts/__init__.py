"""The parts of pages, a file per subject."""
