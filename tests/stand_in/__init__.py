"""An empty server that plans as a full one does: against live servers of every release."""
