"""Stories from the trade, acted out on simulated fibres of known truth."""
