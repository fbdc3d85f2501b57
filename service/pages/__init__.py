"""What a person sees: the guide."""
