"""What the benches run as whole processes: `python -m tests.bench.programs.<name> DECISIONS OUT`."""
