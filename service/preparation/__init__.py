"""What comes before a test: its protocol, the questions, the cautions that were read."""
