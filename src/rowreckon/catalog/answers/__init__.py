"""What an answer to `rowreckon ask` may look like, before anything is taken from it."""
