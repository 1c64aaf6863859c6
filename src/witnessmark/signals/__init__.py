"""From a recording to its lines: sensor kinds, levels, edges, roles."""
