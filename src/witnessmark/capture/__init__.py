"""Live capture from instruments that speak SCPI (IEEE 488.2): from an instrument to a recording."""
