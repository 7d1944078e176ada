"""Records to windows: what each session sent, lost and saw in each tick, and who could speak when."""
