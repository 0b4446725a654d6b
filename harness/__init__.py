"""Runs vector tables on shuttle chips and keeps verdicts with their evidence."""
