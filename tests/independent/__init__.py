"""An audit of written plans by arithmetic of its own: nothing here imports the planner."""
