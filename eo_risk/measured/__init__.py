"""What was measured: laboratory results."""
