"""Judging tests, and keeping the judgement true."""
