"""Training: data, the net's training run, and the evaluation that rebuilds every figure."""
