"""Drawn designs: each rule broken once, designs wrong in every way, and plans checked again."""
