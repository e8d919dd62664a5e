"""The Modbus TCP server for the plant: one table that is the map, and a server that lets nobody hold it up."""
