"""Parts placed by the K factor or by zero and pole, and rounded."""
