"""What comes out: report and records."""
