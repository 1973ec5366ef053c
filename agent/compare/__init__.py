"""What changed between two audits: parts, links, rates, firmware, temperatures, findings. Shows nothing."""
