"""What a run leaves and what it tells: sample, run folder, figures, comparison, charts."""
