"""Trials on a server: copies of a database, remedies applied where nothing lasts, queries measured with and without."""
