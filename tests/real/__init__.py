"""The main job on open data of real places."""
