"""What the monitor costs on this machine: `cabcanary bench --measure`."""
