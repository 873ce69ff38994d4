'use strict';
document.querySelectorAll('.stage').forEach(stage => {
  const pick = name => stage.querySelector(name);
  const sheet = pick('.sheet'), slide = pick('.slide'), other = pick('.other'), zoom = pick('.zoom'), smooth = pick('.smooth');
  const overs = [...stage.querySelectorAll('.over')], edge = pick('.edge');
  const lay = () => {
    if (!slide) return;
    const at = slide.value;
    overs.forEach((img, i) => {
      img.hidden = i !== other.selectedIndex;
      img.style.clipPath = `inset(0 ${100 - at}% 0 0)`;
    });
    edge.style.left = at + '%';
    edge.hidden = at === '0' || at === '100';
    slide.setAttribute('aria-valuetext', `${at} percent shows ${other.value}`);
  };
  const size = () => { sheet.style.width = zoom.value === 'fit' ? '100%' : stage.dataset.width * zoom.value + 'px'; };
  if (stage.dataset.width * zoom.value > stage.clientWidth) { zoom.value = 'fit'; size(); }
  if (slide) {
    slide.addEventListener('input', lay);
    other.addEventListener('change', () => { if (slide.value === '0') slide.value = 50; lay(); });
    sheet.addEventListener('pointerdown', event => {
      const move = e => {
        const box = sheet.getBoundingClientRect();
        slide.value = Math.round(100 * (e.clientX - box.left) / box.width);
        lay();
      };
      const end = () => { removeEventListener('pointermove', move); removeEventListener('pointerup', end); };
      move(event);
      addEventListener('pointermove', move);
      addEventListener('pointerup', end);
      event.preventDefault();
    });
    lay();
  }
  zoom.addEventListener('change', size);
  smooth.addEventListener('change', () => sheet.classList.toggle('square', !smooth.checked));
});
