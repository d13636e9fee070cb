"""What is said of a change to try: what and why (open `remedy_words` first), whom else it touches, its trial."""
