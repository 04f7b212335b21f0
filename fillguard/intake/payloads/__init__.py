"""Payload kinds of feeds: each turns the bytes of a message into what every reading of its feed found in them."""
