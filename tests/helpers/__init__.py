"""What tests share: laboratories, instruments, people, examples. No test module imports another; they import these."""
