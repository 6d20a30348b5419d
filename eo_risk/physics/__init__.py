"""What happens: pure functions on arrays, in SI units."""
