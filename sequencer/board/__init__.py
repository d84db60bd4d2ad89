"""Ports, the boot loader's protocol, the running link, the virtual board."""
