"""Everything a person or a program gets to see: the audit document and its renderings."""
