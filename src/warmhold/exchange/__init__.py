"""What devices and files tell comes in, what was recorded goes out; see docs/design-step-5.md."""
