"""Findings: the answer for a photo or a night, and the one place that composes the stages."""
