"""What every driver of a role must do, as tests that an author runs on a driver of his own.

    pytest --pyargs bench.contract --bench my.bench.toml --place tone_1

Rule: nothing else of the project imports this package, as it needs pytest, which only developers have. Its modules are
collected by pytest where an author runs them; ``tests/conformance`` runs the same ones on the drivers of this project.
"""
