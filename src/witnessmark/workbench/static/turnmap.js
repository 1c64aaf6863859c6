export function mount(element, bench) { element.textContent = ""; }
