"""Where the mount's polar axis points, and what the bolts must undo."""
