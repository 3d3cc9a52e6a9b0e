"""Tests of reading: files to a site."""
