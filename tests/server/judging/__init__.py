"""What a statement may execute, asked of live servers: what is hidden is found, what is harmless runs."""
