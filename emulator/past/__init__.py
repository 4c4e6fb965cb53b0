"""What happened in production: reads an export of past jobs, drafts a scenario from it, and says how far it holds."""
