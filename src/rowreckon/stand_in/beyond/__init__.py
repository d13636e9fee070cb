"""What a source has beyond tables and indexes of PostgreSQL's own: foreign tables, types of extensions."""
