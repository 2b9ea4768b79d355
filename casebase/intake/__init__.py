"""How a case gets in: template, interview, pasted scan report, captures turned into readings."""
