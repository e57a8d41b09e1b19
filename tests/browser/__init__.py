"""Tests in a browser."""
