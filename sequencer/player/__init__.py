"""The C player core, run on the host: what the board will do, with its state at every frame."""
