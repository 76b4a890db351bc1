"""The service: built layers and what-if plans over HTTP, for one machine or one station network."""
