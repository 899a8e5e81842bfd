"""How often the truth lies within U: simulated benches of every kind, drawn and scored; shared by several tests.

Each bench draws its errors from the accuracies that its file declares. A kind of night is a module: it runs the bench,
derives, and yields for each characteristic what was found and what is true.
"""
