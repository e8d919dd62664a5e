"""What the outside sees of a running controller: it is handed snapshots, never state."""
