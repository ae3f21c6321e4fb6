"""What a service that runs unattended needs: counters for a monitor, readiness and a watchdog for systemd."""
