"""The simulated bench: one physical model behind SCPI front ends that only bytes reach.

Rule: nothing in here is imported by a driver, and nothing in here imports one; both read the same standards.
"""
