"""Changes of a plan that are tried out before they are advised."""
