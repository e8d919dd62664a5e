"""The OPC UA server for the plant: PackML as OPC 30050 has it, and the line's own objects beside it."""
