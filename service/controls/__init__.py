"""Control of the laboratory's devices: a known person, known gas and volume."""
