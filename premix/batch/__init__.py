"""Many songs over a concurrent.futures Executor."""
