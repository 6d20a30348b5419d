"""What it means: limits, sampling, verdict, cautions, advice."""
