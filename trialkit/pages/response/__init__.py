"""One response in full: pieces of its section, each a function of what was asked of it."""
