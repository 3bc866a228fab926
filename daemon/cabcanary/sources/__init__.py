"""Raw readings in: voltages, serial lines, OBD over CAN. A source yields readings, and nothing else."""
