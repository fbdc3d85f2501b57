"""Engine, models and transactions."""
