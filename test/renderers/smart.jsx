// The page of the second renderer: React components, put together as their
// authors show it.
import React from 'react';
import { createRoot } from 'react-dom/client';
import { QueryClientProvider } from '@tanstack/react-query';
import { BaseRenderer, RendererThemeProvider, getResponse, useBuildForm, useRendererQueryClient } from '@aehrc/smart-forms-renderer';

function Form({ questionnaire }) {
  const client = useRendererQueryClient();
  const building = useBuildForm({ questionnaire });
  if (building) return <p>building</p>;
  return (
    <RendererThemeProvider>
      <QueryClientProvider client={client}>
        <BaseRenderer />
      </QueryClientProvider>
    </RendererThemeProvider>
  );
}

window.show = (questionnaire) => createRoot(document.getElementById('form')).render(<Form questionnaire={questionnaire} />);
window.response = () => getResponse();
