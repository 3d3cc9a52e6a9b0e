"""Tests of the kernels: on paper, and against reference libraries."""
