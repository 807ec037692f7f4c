"""The unattended night: jobs one after another with nobody there, and somebody who notices when it stands still."""
