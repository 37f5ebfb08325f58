"""The old list brought along: files sent, checked by a worker, mended, written, and undone as a whole."""
