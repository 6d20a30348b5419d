"""What goes in: load plan, site file, tables."""
