"""One job: complaint, evidence, tests, work and verification, kept in a log to which only is added."""
