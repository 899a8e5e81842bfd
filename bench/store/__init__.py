"""Keeping what was read: schema, writing during a run, reading afterwards.

Rule: every database statement of the project is in this package, built from ``tables``; no SQL text outside
``connect`` and ``migrations``.
"""
