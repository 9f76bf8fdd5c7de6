"""What stays on disk between builds, and how anything is written there so that it is whole or not there."""
