"""The instruments of a simulated station, one model for each part to play: commands of SCPI-1999 over the physics."""
