"""Helpers of the tests. None of them uses the readers and writers that it helps to test."""
