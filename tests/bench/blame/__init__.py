"""Who gets the blame: seeded racks with faults, and how often the rules name the right one."""
