"""The screens: they read the plan, call the library once and draw its answer."""
