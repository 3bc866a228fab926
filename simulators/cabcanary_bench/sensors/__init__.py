"""The sensors between the van and its wires."""
