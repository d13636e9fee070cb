"""One run from its first word to its exit status, whatever befalls it in between."""
