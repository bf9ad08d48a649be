// The look that was chosen on this machine, before anything is drawn.
try { const look = localStorage.getItem("look"); if (look) document.documentElement.dataset.look = look; } catch { /* no storage: the system's look */ }
