"""The user's guide, a Markdown file a topic: what `rowreckon guide TOPIC` prints and README links to."""
