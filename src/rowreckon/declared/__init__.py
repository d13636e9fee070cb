"""What schema files declare: dumps and migrations in plain SQL, read by PostgreSQL's grammar and never executed."""
