"""The pure core: arrays and frozen dataclasses in, frozen dataclasses out."""
