"""Instruments that a test can talk to over real lines of this machine: what they say is the test's.

``talking`` holds the instrument, the other modules the lines: ``sockets`` (TCP), ``serial_port`` (a pseudo-terminal),
``hislip`` and ``vxi11``. Each line offers ``resource``, ``release`` (late replies come now) and ``close``. Both
protocols are written from memory of their standards, not seen, and hold what a client needs to open, write, read, clear
and close.
"""
