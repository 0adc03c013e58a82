package example.tidemark.hapi;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.provider.JpaCapabilityStatementProvider;
import ca.uhn.fhir.jpa.provider.JpaSystemProvider;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.rest.server.RestfulServer;
import ca.uhn.fhir.rest.server.provider.ResourceProviderFactory;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import java.nio.charset.StandardCharsets;
import java.util.Map;
import java.util.Scanner;
import org.eclipse.jetty.ee10.servlet.ServletContextHandler;
import org.eclipse.jetty.ee10.servlet.ServletHolder;
import org.eclipse.jetty.server.Server;
import org.eclipse.jetty.server.ServerConnector;
import org.springframework.context.annotation.AnnotationConfigApplicationContext;
import org.springframework.core.env.MapPropertySource;

/**
 * HAPI FHIR's JPA server on a loopback address: main DIRECTORY PORT EXTERNAL. It
 * keeps its database in the directory, leaves a port of 0 to the system, takes
 * references to other servers if EXTERNAL is true, prints its base on a line of its
 * own when it answers, and ends when its standard input does. A line there, true or
 * false, changes EXTERNAL, and is repeated when that is done.
 */
public final class Main {
  private Main() {}

  public static void main(String[] arguments) throws Exception {
    var beans = new AnnotationConfigApplicationContext();
    beans
        .getEnvironment()
        .getPropertySources()
        .addFirst(new MapPropertySource("arguments", Map.of("directory", arguments[0])));
    beans.register(Hospital.class);
    beans.refresh();

    var settings = beans.getBean(JpaStorageSettings.class);
    settings.setAllowExternalReferences(Boolean.parseBoolean(arguments[2]));

    var jetty = new Server();
    var connector = new ServerConnector(jetty);
    connector.setHost("127.0.0.1");
    connector.setPort(Integer.parseInt(arguments[1]));
    jetty.addConnector(connector);
    var context = new ServletContextHandler("/");
    context.addServlet(new ServletHolder(new Fhir(beans)), "/fhir/*");
    jetty.setHandler(context);
    jetty.start();
    System.out.println("http://127.0.0.1:" + connector.getLocalPort() + "/fhir");
    obey(settings);
  }

  /** Ends the process with the one that started it, whatever became of that. */
  private static void obey(JpaStorageSettings settings) {
    try (var lines = new Scanner(System.in, StandardCharsets.UTF_8)) {
      while (lines.hasNextLine()) {
        settings.setAllowExternalReferences(Boolean.parseBoolean(lines.nextLine()));
        System.out.println(settings.isAllowExternalReferences());
      }
    }
    Runtime.getRuntime().halt(0);
  }

  /** The FHIR servlet over the beans. */
  private static final class Fhir extends RestfulServer {
    private static final long serialVersionUID = 1L;
    private final transient AnnotationConfigApplicationContext beans;

    Fhir(AnnotationConfigApplicationContext beans) {
      super(beans.getBean(FhirContext.class));
      this.beans = beans;
    }

    @Override
    protected void initialize() {
      registerProviders(beans.getBean("myResourceProvidersR4", ResourceProviderFactory.class).createProviders());
      registerProvider(beans.getBean(JpaSystemProvider.class));
      setPagingProvider(beans.getBean(DatabaseBackedPagingProvider.class));
      setServerConformanceProvider(new JpaCapabilityStatementProvider(
          this,
          beans.getBean(IFhirSystemDao.class),
          beans.getBean(JpaStorageSettings.class),
          beans.getBean(ISearchParamRegistry.class),
          beans.getBean(IValidationSupport.class)));
    }
  }
}
