"""What is too long for every change: kill runs, injected faults, a soak, fuzzing. By hand: `python -m tests.hard`."""
