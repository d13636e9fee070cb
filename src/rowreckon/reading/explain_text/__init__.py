"""EXPLAIN's TEXT format, read line by line into the shape of FORMAT JSON.

`block` cuts a plan out of a text and mends broken lines, `header` reads a node's first line, `details` the lines
below it, `footer` what follows the tree, `tree` puts them together, `complete` adds what the text implies.
Labels are those that PostgreSQL 12 to 18 print (`src/backend/commands/explain.c`, checked against running servers).
"""
