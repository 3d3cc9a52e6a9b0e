"""Numbers only: arrays in, arrays out. Each kernel can be checked on paper."""

from planner.kernels.cache import ensure_cache_folder

ensure_cache_folder()
