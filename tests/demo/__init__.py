"""The main job on the demo, through the command line."""
