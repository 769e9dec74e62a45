package andante;

import ca.uhn.fhir.context.FhirContext;
import ca.uhn.fhir.context.support.IValidationSupport;
import ca.uhn.fhir.interceptor.api.IInterceptorService;
import ca.uhn.fhir.jpa.api.config.JpaStorageSettings;
import ca.uhn.fhir.jpa.api.dao.IFhirSystemDao;
import ca.uhn.fhir.jpa.provider.JpaCapabilityStatementProvider;
import ca.uhn.fhir.jpa.provider.JpaSystemProvider;
import ca.uhn.fhir.jpa.search.DatabaseBackedPagingProvider;
import ca.uhn.fhir.rest.server.HardcodedServerAddressStrategy;
import ca.uhn.fhir.rest.server.RestfulServer;
import ca.uhn.fhir.rest.server.provider.ResourceProviderFactory;
import ca.uhn.fhir.rest.server.util.ISearchParamRegistry;
import org.eclipse.jetty.ee10.servlet.ServletContextHandler;
import org.eclipse.jetty.ee10.servlet.ServletHolder;
import org.eclipse.jetty.server.ServerConnector;
import org.springframework.context.annotation.AnnotationConfigApplicationContext;

/**
 * HAPI FHIR JPA (R4) on loopback, on a free port, with everything in memory.
 *
 * <p>The only thing printed is the base address, once it listens. It ends when its standard input closes, so that no
 * server outlives the tests.
 */
public final class Server {
    private static final int MOST_ON_A_PAGE = 200; // as servers in the field are set

    public static void main(String[] arguments) throws Exception {
        var context = new AnnotationConfigApplicationContext(Storage.class);
        var jetty = new org.eclipse.jetty.server.Server();
        var connector = new ServerConnector(jetty);
        connector.setHost("127.0.0.1");
        connector.open();
        jetty.addConnector(connector);
        var base = "http://127.0.0.1:" + connector.getLocalPort() + "/fhir";
        var handler = new ServletContextHandler();
        handler.addServlet(new ServletHolder(restful(context, base)), "/fhir/*");
        jetty.setHandler(handler);
        jetty.start();
        System.out.println(base);
        System.in.transferTo(java.io.OutputStream.nullOutputStream());
        Runtime.getRuntime().halt(0); // nothing is to be saved
    }

    private static RestfulServer restful(AnnotationConfigApplicationContext context, String base) {
        var server = new RestfulServer(context.getBean(FhirContext.class));
        server.setServerAddressStrategy(new HardcodedServerAddressStrategy(base));
        server.setInterceptorService(context.getBean(IInterceptorService.class));
        server.registerProviders(context.getBean("myResourceProvidersR4", ResourceProviderFactory.class).createProviders());
        server.registerProvider(context.getBean(JpaSystemProvider.class));
        var paging = context.getBean(DatabaseBackedPagingProvider.class);
        paging.setMaximumPageSize(MOST_ON_A_PAGE);
        server.setPagingProvider(paging);
        server.setServerConformanceProvider(new JpaCapabilityStatementProvider(
            server,
            context.getBean(IFhirSystemDao.class),
            context.getBean(JpaStorageSettings.class),
            context.getBean(ISearchParamRegistry.class),
            context.getBean(IValidationSupport.class)));
        return server;
    }

    private Server() {}
}
