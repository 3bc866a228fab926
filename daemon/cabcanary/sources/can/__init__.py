"""The vehicle bus: CAN frames, OBD requests, and the process that reads them."""
