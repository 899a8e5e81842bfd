"""With what: instrument roles, the SCPI drivers that fill them, and the simulated bench."""
